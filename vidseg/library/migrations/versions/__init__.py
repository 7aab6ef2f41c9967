"""One module per step of the library's form. What a released one does is never changed."""
