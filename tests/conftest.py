"""What holds for every test."""

from __future__ import annotations

import os
import signal

# As in the tool's own workers, and before NumPy is imported: threads for small matrices mostly wait
# for one another, which doubles the processor time of the fits, and more beside a second process.
for _limit in (
    *("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"),
    "OPENCV_FOR_THREADS_NUM",
):
    os.environ.setdefault(_limit, "1")

# A shell has what it puts in the background ignore Ctrl-C, and processes inherit that: tests that
# interrupt one would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)
