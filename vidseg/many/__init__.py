"""Many cases, end to end: gathered into a library, read from it, studied, written.

What lies in ``library``, ``cohort``, ``measure`` and ``export`` meets here; no statistic is made.
"""
