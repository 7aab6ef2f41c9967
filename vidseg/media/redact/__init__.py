"""Copies fit to share: what is cut, covered, silenced, and the strict reader of the result."""
