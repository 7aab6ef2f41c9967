"""How a library came to its present form; run by ``vidseg.library.version``, never by hand."""
