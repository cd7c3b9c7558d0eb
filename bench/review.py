"""The review page on a session of 200 plates of 60 MP: first view, live preview, memory.

    python bench/review.py [--megapixels 60] [--plates 200] [--opened 12] [--memory 600M]

One plate is simulated; every other is the same file under another name, its record and preview
copies of the first's, so that the disk holds one. Prints:

* from the start of ``platebench review`` to its address, and from there to the first useful view:
  the session's JSON and the thumbnails of the first screen, asked for as a browser does, six at a
  time; then the same for a page opened again;
* a new preview of 1200 pixels in another tone, once the plate is open: median and slowest of many;
* the most memory the server has held while one plate after the other was opened and zoomed into,
  against ``--memory`` and what one plate takes to read.

The server is a process of its own.
"""

from __future__ import annotations

import argparse
import http.client
import json
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

from convert import make_session
from one_core import figure
from platebench.cli.options import size_in_bytes

FIRST_SCREEN = 24  # contact prints on a large screen
AT_ONCE = 6  # requests a browser makes of one host


def many_plates(folder: Path, count: int) -> None:
    """Convert the one plate that is there, and list it under many names."""
    from platebench.session.convert_session import convert_session

    head = '[light]\nblank = ["blank.dng"]\n[every_plate]\nformat = "4x5 in"\n'
    one = head + _listed(1, "plate.dng")
    (folder / "session.toml").write_text(one, encoding="utf-8")
    done = convert_session(folder, workers=1)
    if any(result.error for result in done.results):
        raise SystemExit(f"the plate was not converted: {done.results[0].error}")
    output, text = folder / "converted", head + _listed(1, "plate.dng")
    for number in range(2, count + 1):
        name = f"plate-{number:03}"
        os.link(folder / "plate.dng", folder / f"{name}.dng")
        shutil.copy(output / "previews" / "plate-001.jpg", output / "previews" / f"{name}.jpg")
        record = (output / "plates" / "plate-001.json").read_text(encoding="utf-8")
        (output / "plates" / f"{name}.json").write_text(
            record.replace("plate-001", name).replace("plate.dng", f"{name}.dng"), encoding="utf-8"
        )
        text += _listed(number, f"{name}.dng")
    (folder / "session.toml").write_text(text, encoding="utf-8")


def _listed(number: int, capture: str) -> str:
    return f'[[plate]]\nid = "plate-{number:03}"\ncaptures = ["{capture}"]\n'


class Server:
    """``platebench review`` in a process of its own."""

    def __init__(self, folder: Path, memory: str) -> None:
        command = [sys.executable, "-m", "platebench", "review", str(folder), "--no-browser"]
        command += ["--json", "--memory", memory]
        begun = time.perf_counter()
        self._process = subprocess.Popen(command, stdout=subprocess.PIPE, encoding="utf-8")
        assert self._process.stdout is not None
        said = ""
        while not said.rstrip().endswith("}"):
            said += self._process.stdout.readline()
        self.started_s = time.perf_counter() - begun
        self._address = urlsplit(json.loads(said)["address"])

    def get(self, path: str) -> bytes:
        """Return the body of an answer; anything but success ends the run."""
        connection = http.client.HTTPConnection(self._address.netloc, timeout=300)
        connection.request("GET", self._address.path + path)
        answer = connection.getresponse()
        body = answer.read()
        connection.close()
        if answer.status != 200:
            raise SystemExit(f"{path}: {answer.status} {body[:200]!r}")
        return body

    def json(self, path: str) -> Any:
        """Return an answer's document."""
        return json.loads(self.get(path))

    def peak_bytes(self) -> int:
        """Return the most memory it has held."""
        status = Path(f"/proc/{self._process.pid}/status").read_text(encoding="utf-8")
        line = next(text for text in status.splitlines() if text.startswith("VmHWM"))
        return int(line.split()[1]) * 1024

    def processor_s(self) -> float:
        """Return the processor time it has taken."""
        fields = (
            Path(f"/proc/{self._process.pid}/stat")
            .read_text(encoding="utf-8")
            .rpartition(")")[2]
            .split()
        )
        return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")

    def end(self) -> None:
        """Ask it to end."""
        self._process.terminate()
        self._process.wait()


def first_view(server: Server) -> tuple[float, float]:
    """Return seconds to the session's JSON, and to the first screen's thumbnails after it."""
    begun = time.perf_counter()
    server.get("")
    plates = server.json("api/session")["plates"]
    listed = time.perf_counter() - begun
    paths = [f"api/plates/{p['id']}/thumb.jpg?v={p['preview']}" for p in plates[:FIRST_SCREEN]]
    with ThreadPoolExecutor(AT_ONCE) as browser:
        list(browser.map(server.get, paths))
    return listed, time.perf_counter() - begun


def live_previews(server: Server, plate: str, count: int = 40) -> list[float]:
    """Return seconds for each of many new previews of an open plate."""
    tones = server.json("api/session")["tones"]
    took = []
    for number in range(count):
        tone, stops = tones[number % len(tones)], round(-1 + 2 * number / count, 2)
        begun = time.perf_counter()
        server.get(f"api/plates/{plate}/preview.jpg?side=1200&tone={tone}&print_stops={stops}")
        took.append(time.perf_counter() - begun)
    return took


def zoom(server: Server, plate: str) -> float:
    """Open a plate and look at a row of tiles at every level; return seconds to its first view."""
    begun = time.perf_counter()
    told = server.json(f"api/plates/{plate}")
    server.get(f"api/plates/{plate}/preview.jpg?side=1200")
    opened = time.perf_counter() - begun
    last = told["layers"]["positive"]["last_level"]
    paths = [
        f"api/plates/{plate}/tiles/{layer}/{told['version']}/{level}/{column}_0.jpg"
        for layer in ("positive", "density")
        for level in range(last - 3, last + 1)
        for column in range(1 << max(0, level - last + 2))
    ]
    with ThreadPoolExecutor(AT_ONCE) as browser:
        list(browser.map(server.get, paths))
    return opened


def main() -> None:
    """Read the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--megapixels", type=float, default=60)
    parser.add_argument("--plates", type=int, default=200)
    parser.add_argument("--opened", type=int, default=12)
    parser.add_argument("--memory", default="600M")
    parser.add_argument("--folder", type=Path)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory(dir=args.folder) as name:
        folder = Path(name)
        make_session(folder, args.megapixels, compress=True)
        many_plates(folder, args.plates)
        server = Server(folder, args.memory)
        try:
            measure(server, args.plates, args.opened, size_in_bytes(args.memory))
        finally:
            server.end()


def measure(server: Server, plates: int, opened: int, limit: int) -> None:
    """Measure and print."""
    idle = server.peak_bytes()
    listed, first = first_view(server)
    processor = server.processor_s()
    _, again = first_view(server)
    print(f"{plates} plates, two cores")
    print(f"  start to address {server.started_s:.2f} s, list of plates {listed:.2f} s")
    figure("address to first view; page opened again", f"{first:.2f}; {again:.2f} s")
    whole = server.started_s + first
    figure("start to first view; processor", f"{whole:.2f}; {processor:.2f} s", "< 3 s")
    opening = [zoom(server, "plate-001")]
    one = server.peak_bytes()
    took = live_previews(server, "plate-001")
    median, slowest = statistics.median(took), max(took)
    figure("a plate opened", f"{opening[0]:.2f} s")
    both = f"{median * 1e3:.0f}; {slowest * 1e3:.0f} ms"
    figure("preview of 1200 px in another tone: median; slowest", both, "< 150 ms")
    half = 0
    for number in range(2, opened + 1):
        opening.append(zoom(server, f"plate-{number:03}"))
        half = server.peak_bytes() if number == (opened + 1) // 2 else half
    peak = server.peak_bytes()
    print(f"  {opened} plates opened, each  {statistics.median(opening):.2f} s")
    print(f"  peak memory: idle {idle / 1e6:.0f} MB, one plate {one / 1e6:.0f} MB, half of them "
          f"{half / 1e6:.0f} MB, all {peak / 1e6:.0f} MB")  # fmt: skip
    above = f"{(peak - idle - limit) / 1e6:.0f}; {(one - idle) / 1e6:.0f} MB"
    figure("peak above idle and limit; reading one plate takes", above)


if __name__ == "__main__":
    main()
