"""What holds for every test."""

from __future__ import annotations

import signal

# A shell has what it puts in the background ignore Ctrl-C, and processes inherit that: tests that
# interrupt one would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
