"""What may identify someone: in metadata, words, pictures, and values few cases share."""
