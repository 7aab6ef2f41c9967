"""Marking by hand: a page of this machine's own browser, the rows it changes, the file they keep.

The only part that knows starlette and uvicorn.
"""
