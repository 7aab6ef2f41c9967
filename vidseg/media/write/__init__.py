"""Writing files: packets copied, pictures and sound encoded, captions and chapters put in."""
