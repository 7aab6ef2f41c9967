"""Exact clips at the speed of copying: whole groups copied, edges encoded, all verified."""
