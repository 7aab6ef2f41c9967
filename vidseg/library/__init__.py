"""Floor 4b, what is kept: the library of cases in SQLite or PostgreSQL. SQL lives here alone."""
