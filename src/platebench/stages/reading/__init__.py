"""How a capture is read: one module a kind of file, one a doubt about it."""
