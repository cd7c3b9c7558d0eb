"""Which print suits a plate: printing processes, their exposure scales, and advice."""
