"""The way a plate goes: one stage a file, each a pure function."""
