"""Procedural pictures; `platebench.synthetic.scene` gives them by name."""
