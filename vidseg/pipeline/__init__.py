"""Floor 5: one case, end to end. ``outputs`` lists all that is made, each by a module of its own.

Calls, never computes.
"""
