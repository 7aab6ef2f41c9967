"""How far two or more annotations of a case agree."""
