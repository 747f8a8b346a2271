"""The wheel works from any folder, and is not fooled by folders that carry our packages' common names."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import venv
import zipfile
from pathlib import Path

import pytest

pytestmark = pytest.mark.process
ROOT = Path(__file__).resolve().parents[2]


@pytest.fixture(scope="module")
def installed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A fresh environment with the wheel in it; the dependencies are those of the running one."""
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(folder), str(ROOT)],
        check=True,
        capture_output=True,
    )
    wheel = next(folder.glob("*.whl"))
    venv.create(folder / "env", with_pip=False, symlinks=True)
    site = next((folder / "env" / "lib").glob("python3*")) / "site-packages"
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(site)
    dependencies = Path(json.__file__).parent  # stands for the standard library; the real ones follow
    assert dependencies.exists()
    here = next(p for p in sys.path if p.endswith("site-packages"))
    # .pth of an editable install must not be followed: only plain packages of the running environment are lent
    (site / "lent.py").write_text(f"import sys\nsys.path.append({here!r})\n")
    (site / "lent.pth").write_text("import lent\n")
    return folder / "env" / "bin" / "python"


def run(python: Path, folder: Path, *arguments: str) -> subprocess.CompletedProcess[str]:
    environment = {k: v for k, v in os.environ.items() if k not in ("PYTHONPATH", "PYTHONSAFEPATH")}
    return subprocess.run(
        [str(python), *arguments], cwd=folder, env=environment, capture_output=True, text=True, timeout=300
    )


def test_the_wheel_runs_from_an_empty_folder(installed: Path, tmp_path: Path) -> None:
    done = run(installed, tmp_path, "-P", "-m", "sequencer", "plans")
    assert done.returncode == 0, done.stderr
    assert "first" in done.stdout
    assert "workshop" in done.stdout


def test_decoy_folders_are_not_picked_up(installed: Path, tmp_path: Path) -> None:
    """With -P the current folder is not on the path, and the decoys have no effect."""
    for name in ("drivers", "sequencer", "sequences", "simulators"):
        (tmp_path / name).mkdir()
        (tmp_path / name / "__init__.py").write_text("raise SystemExit('decoy imported')\n")
    done = run(installed, tmp_path, "-P", "-m", "sequencer", "plans")
    assert done.returncode == 0, done.stderr + done.stdout
    assert "decoy" not in done.stdout + done.stderr


def test_a_foreign_package_beside_ours_is_said_and_nothing_runs(installed: Path, tmp_path: Path) -> None:
    """Somebody puts a package called `drivers` before ours on the path: we say so and stop."""
    (tmp_path / "drivers").mkdir()
    (tmp_path / "drivers" / "__init__.py").write_text("")
    site = next((installed.parents[1] / "lib").glob("python3*")) / "site-packages"
    program = (
        f"import sys; sys.path[:0] = [{str(tmp_path)!r}]; sys.path.append({str(site)!r}); "
        "from sequencer.cli import main; sys.exit(main(['plans']))"
    )
    done = run(installed, tmp_path, "-P", "-c", program)
    assert done.returncode == 5
    assert "drivers" in done.stderr
    assert "environment of its own" in done.stderr


def test_wheel_holds_every_data_file(installed: Path) -> None:
    site = next((installed.parents[1] / "lib").glob("python3*")) / "site-packages"
    for pattern in ("sequences/plans/*.toml", "sequences/units/*.toml", "sequences/benches/*.toml",
                    "drivers/dialects/*.toml", "sequencer/report/templates/*",
                    "simulators/world/truth/*.toml"):  # fmt: skip
        ours = {p.name for p in ROOT.glob(pattern)}
        assert ours, pattern
        assert {p.name for p in site.glob(pattern)} == ours, pattern
