"""Floor 6.6: many recordings put through ``pipeline``, on processes of this machine or a cluster.

``worklist`` says which cases, ``job`` does one of them in a worker, ``drive`` hands jobs to any
executor (``processes``, ``cluster``), ``journal`` remembers what is done, ``keeping`` writes to the
library, ``report`` tells, ``whole`` puts it together.
"""
