"""Build sdist and wheel and try them: `make dist`. Fails where a plain install would fail a new user."""

from __future__ import annotations

import json
import os
import re
import shutil
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from pathlib import Path
from typing import IO

import jsonschema

ROOT = Path(__file__).parents[1]
DIST, TRIED = ROOT / "build" / "dist", ROOT / "build" / "tried"
# Much more, and an install is no longer quick: the demo's large frames have slipped in.
LARGEST_WHEEL_BYTES = 8_000_000
# Those that read files of the repository beside the package.
TESTS_FROM_SDIST = (
    "tests/test_documentation.py",
    "tests/imaging/test_demo_frames.py",
    "tests/presets/test_reference.py",
)


def main() -> None:
    """Build, look into both, install the wheel apart, run it, run tests from the sdist."""
    for folder in (DIST, TRIED):
        shutil.rmtree(folder, ignore_errors=True)
    # The wheel is built from the sdist, so what the sdist lacks is missed here.
    run(sys.executable, "-m", "build", "--outdir", str(DIST), str(ROOT))
    (wheel,), (sdist,) = DIST.glob("*.whl"), DIST.glob("*.tar.gz")
    look_into(wheel)
    # Renders the front page as a package index does; --strict fails on what that only warns of.
    run(sys.executable, "-m", "twine", "check", "--strict", str(wheel), str(sdist))
    run(sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--target", str(TRIED), str(wheel))
    command = (sys.executable, "-c", "from halocline.cli.main import main; main()")
    run(*command, "demo", "--out", "out", "--threads", "2", cwd=TRIED, path=TRIED)
    assert (TRIED / "out" / "contact_sheet.png").stat().st_size > 0
    check_schema(command)
    with tarfile.open(sdist) as packed:
        packed.extractall(TRIED, filter="data")
    (unpacked,) = TRIED.glob("halocline-*.*.*/pyproject.toml")
    run(sys.executable, "-m", "pytest", "-q", *TESTS_FROM_SDIST, cwd=unpacked.parent, path=TRIED)


def check_schema(command: tuple[str, ...]) -> None:
    """Have the installed package write the schema, alone and beside a new preset, which it must allow."""
    with (TRIED / "printed.json").open("wb") as out:
        run(*command, "preset", "schema", cwd=TRIED, path=TRIED, out=out)
    run(*command, "preset", "new", "shot.toml", "--extends", "fjord-archway", cwd=TRIED, path=TRIED)
    printed = json.loads((TRIED / "printed.json").read_text(encoding="utf-8"))
    assert json.loads((TRIED / "halocline.schema.json").read_text(encoding="utf-8")) == printed
    checker = jsonschema.validators.validator_for(printed)
    checker.check_schema(printed)
    preset = tomllib.loads((TRIED / "shot.toml").read_text(encoding="utf-8"))
    checker(printed).validate(preset)
    assert not checker(printed).is_valid(preset | {"water": {"no_such_key": 1.0}})


def look_into(wheel: Path) -> None:
    """Check what the wheel holds, and that its front page has no link that only works in the repository."""
    assert wheel.stat().st_size < LARGEST_WHEEL_BYTES, wheel.stat().st_size
    with zipfile.ZipFile(wheel) as packed:
        names = packed.namelist()
        for wanted in ("halocline/py.typed", "halocline/demo_frames/arch.1001.exr"):
            assert wanted in names, wanted
        assert any(name.startswith("halocline/shipped_presets/") for name in names)
        (metadata,) = (name for name in names if name.endswith(".dist-info/METADATA"))
        page = packed.read(metadata).decode()
    relative = [link for link in re.findall(r"\]\(([^)]+)\)", page) if "://" not in link]
    assert not relative, relative


def run(*command: str, cwd: Path = ROOT, path: Path | None = None, out: IO[bytes] | None = None) -> None:
    """Run a command; one that fails ends this."""
    environment = os.environ | ({"PYTHONPATH": str(path)} if path else {})
    subprocess.run(command, cwd=cwd, env=environment, stdout=out, check=True)


if __name__ == "__main__":
    main()
