"""One case, made fit to share: the copy, and the record of it. Calls, never computes."""
