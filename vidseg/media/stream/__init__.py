"""Playing in a browser: the file itself, or segments copied or encoded for it."""
