"""One case: marks resolved, checked and timed."""
