"""The folder of profiles, in a checkout and in an installed package."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

from platebench.core.installed import profiles_folder


def test_folder_has_the_tone_profiles():
    assert (profiles_folder() / "tone" / "neutral.toml").is_file()


def test_an_installed_package_finds_its_own(tmp_path):
    # As hatchling lays it out: profiles inside the package, no checkout around it.
    package = tmp_path / "site" / "platebench"
    (package / "profiles" / "tone").mkdir(parents=True)
    core = Path(profiles_folder.__code__.co_filename).parent
    shutil.copytree(core, package / "core", ignore=shutil.ignore_patterns("__pycache__"))
    shutil.copy(core.parent / "__init__.py", package)
    done = subprocess.run(
        [
            sys.executable,
            "-c",
            "import platebench.core.installed as f; print(f.profiles_folder())",
        ],
        env=os.environ | {"PYTHONPATH": str(tmp_path / "site")},
        cwd=tmp_path,
        capture_output=True,
        encoding="utf-8",
        check=True,
    )
    assert done.stdout.strip() == str((package / "profiles").resolve())
