"""What pictures show: surveys, stills, and screening for writing and unlike views."""
