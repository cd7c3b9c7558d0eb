"""Captures to counts: which kind of file it is, how it is read, and why it is refused."""
