"""Work on a cluster: a scheduler and two workers as processes of their own, and what befalls them.

Everything runs on this machine, over the loopback and, once, with certificates made here.
"""

from __future__ import annotations

import json
import shutil
import signal
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from click.testing import CliRunner

from platebench.cli import main
from platebench.core.errors import ClusterError, ExitCode
from platebench.core.locks import let_go, try_to_hold
from platebench.session.cluster import address_of, facts_of_worker

from ..processes import command, environment, wait_until
from ..session_files import tree, write_session

pytest.importorskip("distributed")

QUIET = {"DASK_DISTRIBUTED__ADMIN__EVENT_LOOP": "asyncio", "PYTHONWARNINGS": "ignore"}


@dataclass
class Cluster:
    """A scheduler and its workers; ``file`` names the scheduler."""

    folder: Path
    more: tuple[str, ...] = ()  # options of all of them
    env: dict[str, str] = field(default_factory=dict)
    running: dict[str, subprocess.Popen[bytes]] = field(default_factory=dict)

    @property
    def file(self) -> Path:
        return self.folder / "scheduler.json"

    def _start(self, name: str, kind: str, *args: str) -> None:
        log = (self.folder / f"{name}.log").open("wb")
        options = ["--scheduler-file", str(self.file), *self.more, *args]
        (self.folder / name).mkdir()
        self.running[name] = subprocess.Popen(
            [sys.executable, "-m", f"distributed.cli.dask_{kind}", *options],
            cwd=self.folder / name,  # never that of the session
            stdout=log,
            stderr=log,
            env=environment(**QUIET, **self.env),
        )
        log.close()

    def begin(self, *workers: str, preload: dict[str, Path] | None = None) -> None:
        self._start(
            "scheduler", "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard"
        )
        wait_until(lambda: self.file.exists() and self.file.stat().st_size)
        for name in workers:
            more = ["--preload", str(preload[name])] if preload and name in preload else []
            options = ["--nthreads", "1", "--no-nanny", "--no-dashboard", "--name", name]
            self._start(name, "worker", *options, *more)
        for name in workers:
            log = self.folder / f"{name}.log"
            wait_until(lambda log=log: b"Registered to" in log.read_bytes())  # type: ignore[misc]

    def kill(self, name: str) -> None:
        self.running[name].send_signal(signal.SIGKILL)
        self.running[name].wait()

    def end(self) -> None:
        for process in self.running.values():
            process.kill()
            process.wait()


@contextmanager
def cluster(folder: Path, *workers: str, **options: object) -> Iterator[Cluster]:
    folder.mkdir()
    preload = options.pop("preload", None)
    started = Cluster(folder, **options)  # type: ignore[arg-type]
    try:
        started.begin(*workers, preload=preload)  # type: ignore[arg-type]
        yield started
    finally:
        started.end()


@pytest.fixture(scope="module")
def original(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = write_session(tmp_path_factory.mktemp("cluster") / "shelf", names=("tall", "wide"))
    text = (folder / "session.toml").read_text(encoding="utf-8")
    for n in range(6):
        shutil.copy(folder / "wide.dng", folder / f"more-{n}.dng")
        text += f'[[plate]]\nid = "more-{n}"\ncaptures = ["more-{n}.dng"]\n'
    (folder / "session.toml").write_text(text, encoding="utf-8")
    return folder


@pytest.fixture
def session(original: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(original, tmp_path / "shelf")).resolve()


@pytest.fixture(scope="module")
def two(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    with cluster(tmp_path_factory.mktemp("two") / "cluster", "one", "other") as started:
        yield started


def run(*args: str | Path, **more: str) -> subprocess.CompletedProcess[str]:
    """Run the command line in a process of its own, as a person does."""
    return subprocess.run(
        command(*args),
        capture_output=True,
        encoding="utf-8",
        env=environment(**QUIET, **more),
        check=False,
        timeout=300,
    )


@pytest.mark.big
def test_it_makes_the_same_bytes_as_this_machine(
    two: Cluster, session: Path, tmp_path: Path
) -> None:
    """Every command that may; the session is moved aside in between, so that names agree."""
    made = []
    for where in (("--cluster", str(two.file)), ("--jobs", "1")):
        for args in (("convert", "--check"), ("master",)):
            done = run(args[0], session, *args[1:], "--json", *where)
            assert done.returncode == ExitCode.OK, done.stderr
        if where[0] == "--cluster":
            done = run("check", session, "--json", *where)
            assert done.returncode == ExitCode.OK, done.stderr
            assert len(json.loads(done.stdout)["captures"]) == 10
            done = run("archive", session, "--output", tmp_path / "packages", *where)
            assert done.returncode == ExitCode.OK, done.stderr
        made.append(tree(session / "converted") | tree(session / "masters"))
        for name in ("converted", "masters"):
            shutil.rmtree(session / name)
    assert made[0] == made[1] and len(made[0]) > 40


@pytest.mark.big
def test_no_plate_is_lost_with_a_worker(session: Path, tmp_path: Path) -> None:
    with cluster(tmp_path / "cluster", "one", "other") as started:
        going = subprocess.Popen(
            command("convert", session, "--cluster", started.file, "--quiet"),
            stderr=subprocess.PIPE,
            env=environment(**QUIET),
        )
        positives = session / "converted" / "positives"
        wait_until(lambda: any(positives.glob("*.tif")) or going.poll() is not None)
        started.kill("one")
        _, said = going.communicate(timeout=300)
        assert going.returncode == ExitCode.OK, said
    assert len(list(positives.glob("*.tif"))) == 8
    assert not list((session / "converted").rglob(".writing-*"))


@pytest.mark.big
def test_a_lost_scheduler_has_its_own_code_and_a_rerun_does_the_rest(
    session: Path, tmp_path: Path
) -> None:
    with cluster(tmp_path / "cluster", "one", "other") as started:
        going = subprocess.Popen(
            command("convert", session, "--cluster", started.file, "--quiet"),
            stderr=subprocess.PIPE,
            env=environment(**QUIET),
        )
        positives = session / "converted" / "positives"
        wait_until(lambda: any(positives.glob("*.tif")) or going.poll() is not None)
        started.kill("scheduler")
        _, said = going.communicate(timeout=300)
        assert going.returncode == ExitCode.CLUSTER_LOST, said
        errors = [line for line in said.decode().splitlines() if line.startswith("Error: ")]
        assert len(errors) == 1 and b"Traceback" not in said
    finished = len(list((session / "converted" / "plates").glob("*.json")))
    assert finished < 8
    again = run("convert", session, "--jobs", "1", "--json")
    assert again.returncode == ExitCode.OK, again.stderr
    plates = json.loads(again.stdout)["plates"]
    assert len(plates) == 8 and sum(plate["unchanged"] for plate in plates) >= finished


OTHER_VERSION = """
from platebench.core import installed
installed._installed = lambda: {"platebench": "0.0.1"}
"""
FULL = """
import errno, os

def full(descriptor):
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

os.fsync = full
"""


@pytest.mark.big
def test_a_worker_of_another_version_is_refused_before_any_plate(
    session: Path, tmp_path: Path
) -> None:
    preload = tmp_path / "preload.py"
    preload.write_text(OTHER_VERSION, encoding="utf-8")
    with cluster(tmp_path / "cluster", "one", "other", preload={"other": preload}) as started:
        done = run("convert", session, "--cluster", started.file, "--quiet")
    assert done.returncode == ExitCode.CLUSTER, done.stderr
    (line,) = [line for line in done.stderr.splitlines() if line.startswith("Error: ")]
    assert "0.0.1" in line and not any((session / "converted" / "positives").iterdir())
    assert not list((session / "converted").glob(".cluster-*"))


@pytest.mark.big
def test_a_full_disk_on_one_worker_costs_its_plates_and_nothing_is_half_written(
    session: Path, tmp_path: Path
) -> None:
    """As the system reports it (ENOSPC); a disk of its own would want rights that CI has not."""
    preload = tmp_path / "preload.py"
    preload.write_text(FULL, encoding="utf-8")
    with cluster(tmp_path / "cluster", "one", "full", preload={"full": preload}) as started:
        done = run("convert", session, "--cluster", started.file, "--json")
    plates = json.loads(done.stdout)["plates"]
    failed = [plate for plate in plates if "error" in plate]
    assert done.returncode == ExitCode.PARTIAL and 0 < len(failed) < 8
    assert all("the disk is full" in plate["error"]["message"] for plate in failed)
    names = {path.stem for path in (session / "converted" / "positives").glob("*.tif")}
    assert names == {plate["id"] for plate in plates} - {plate["id"] for plate in failed}
    assert run("convert", session, "--jobs", "1", "--quiet").returncode == ExitCode.OK


@pytest.mark.big
@pytest.mark.skipif(shutil.which("openssl") is None, reason="no openssl to make certificates")
def test_with_certificates(session: Path, tmp_path: Path) -> None:
    """As docs/cluster.md says, and refused without the certificate."""
    key, certificate = tmp_path / "cluster.key", tmp_path / "cluster.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2"),
            *("-subj", "/CN=platebench", "-keyout", str(key), "-out", str(certificate)),
        ],
        check=True,
        capture_output=True,
    )
    tls = {
        "DASK_DISTRIBUTED__COMM__TLS__CA_FILE": str(certificate),
        "DASK_DISTRIBUTED__COMM__REQUIRE_ENCRYPTION": "true",
    }
    for who in ("SCHEDULER", "WORKER", "CLIENT"):
        tls[f"DASK_DISTRIBUTED__COMM__TLS__{who}__CERT"] = str(certificate)
        tls[f"DASK_DISTRIBUTED__COMM__TLS__{who}__KEY"] = str(key)
    with cluster(tmp_path / "cluster", "one", env=tls, more=("--protocol", "tls")) as started:
        address = json.loads(started.file.read_text(encoding="utf-8"))["address"]
        assert address.startswith("tls://")
        without = run("check", session, "--cluster", address, "--quiet")
        assert without.returncode == ExitCode.CLUSTER, without.stderr
        done = run("convert", session, "--cluster", address, "--json", **tls)
        assert done.returncode == ExitCode.OK, done.stderr


@pytest.mark.parametrize(
    "named", ["tcp://192.0.2.7:8786", "192.0.2.7:8786", "inproc://x", "tls://", "tcp://[::2", ""]
)
def test_what_names_no_protected_scheduler_is_refused(named: str) -> None:
    """RFC 5737: 192.0.2.0/24 is for documents."""
    with pytest.raises(ClusterError) as raised:
        address_of(named)
    assert raised.value.exit_code is ExitCode.CLUSTER


def test_addresses_that_may_be(tmp_path: Path) -> None:
    file = tmp_path / "scheduler.json"
    file.write_text('{"address": "tls://192.0.2.7:8786"}', encoding="utf-8")
    assert address_of(str(file)) == address_of("tls://192.0.2.7:8786") == "tls://192.0.2.7:8786"
    assert address_of("tcp://127.0.0.1:1") == "tcp://127.0.0.1:1"


def test_nobody_there(session: Path) -> None:
    result = CliRunner().invoke(main, ["check", str(session), "--cluster", str(session / "none")])
    assert result.exit_code == ExitCode.CLUSTER and result.stdout == ""


def test_locks_that_do_not_hold_are_noticed(session: Path) -> None:
    """What a worker reports where the lock is held by the one that asks, and where it is not."""
    place = session / "place"
    place.mkdir()
    (place / "token").write_text("x", encoding="utf-8")
    assert not facts_of_worker(str(session), str(place))["locked"]
    held = try_to_hold(place / "lock")
    assert held is not None
    facts = facts_of_worker(str(session), str(place))
    assert facts["locked"] and facts["token"] == "x" and facts["written"] is None
    assert (place / facts["name"]).is_file()
    let_go(place / "lock", held)
    assert facts_of_worker(str(session), str(session / "gone"))["written"]
