"""The plate log: what a person knows of a plate, one row a plate."""
