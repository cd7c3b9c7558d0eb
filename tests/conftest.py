"""What holds for every test."""

from __future__ import annotations

import os
import signal
import sys
import tempfile
import warnings
from collections.abc import Iterator
from pathlib import Path

import pytest

# As in the tool's own workers, and before NumPy is imported: threads for small matrices mostly wait
# for one another, which doubles the processor time of the fits, and more beside a second process.
for _limit in (
    *("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"),
    "OPENCV_FOR_THREADS_NUM",
):
    os.environ.setdefault(_limit, "1")

# Nothing is written beside the sources: what Hypothesis remembers lies with temporary files.
os.environ.setdefault(
    "HYPOTHESIS_STORAGE_DIRECTORY", str(Path(tempfile.gettempdir()) / "platebench-hypothesis")
)

# A shell has what it puts in the background ignore Ctrl-C, and processes inherit that: tests that
# interrupt one would wait for ever.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)

# With PYTHONWARNDEFAULTENCODING=1 Python warns of text files that are opened without an encoding,
# which is another on each system. Ours always name one: here, and in the processes that tests
# start, such a warning is an error. Libraries whose files are ASCII may do without.
_WITHOUT_ENCODING = (
    *("cv2.load_config_py3", "lazy_loader", "matplotlib.font_manager", "PIL.ImageFile"),
    *("pypdfium2_raw.version", "skimage.io.manage_plugins"),
)

_EXEMPT = [f"ignore::EncodingWarning:{module}" for module in _WITHOUT_ENCODING]
if sys.flags.warn_default_encoding:
    os.environ["PYTHONWARNINGS"] = ",".join(["error::EncodingWarning", *_EXEMPT])
    for _module in _WITHOUT_ENCODING:  # for what other conftest.py files import
        warnings.filterwarnings("ignore", category=EncodingWarning, module=_module)


@pytest.fixture(scope="session", autouse=True)
def one_core() -> Iterator[None]:
    """Where a test asks for no number of workers, its own process does the work.

    A worker is a new Python that imports everything again, for plates of a tenth of a second.
    """
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("platebench.core.memory.os.sched_getaffinity", lambda _: {0}, raising=False)
        yield


@pytest.fixture
def undrawn(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where nobody looks at the plots, they are small pictures at once."""
    from platebench.sensitometry import plot_paper

    for name in ("png_of", "svg_of"):
        bare = getattr(plot_paper, name)(plot_paper.new_sheet(0.1, 0.1))
        monkeypatch.setattr(plot_paper, name, lambda _, bare=bare: bare)


def pytest_configure(config: pytest.Config) -> None:
    for line in _EXEMPT:
        config.addinivalue_line("filterwarnings", line)
