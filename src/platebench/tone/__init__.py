"""How a positive is printed: a paper's curve, and profiles of it."""
