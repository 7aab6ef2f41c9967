"""Many cases, end to end: gathered into a library, read from it, counted, written.

Calls, never computes: what lies in ``library``, ``cohort``, ``measure`` and ``export`` meets here.
"""
