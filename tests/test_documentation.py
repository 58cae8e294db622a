"""What README.md and DEVELOPERS.md show is run as it stands there."""

from __future__ import annotations

import os
import re
import shlex
import shutil
import subprocess
import sys
import textwrap
import tomllib
from pathlib import Path

import numpy as np
import pytest

import halocline
from halocline.cli.main import run
from halocline.imaging.exr import Attribute, Part
from halocline.imaging.exr_write import PartPixels, write_exr
from halocline.imaging.frame import Window

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
PAGES = ("README.md", "DEVELOPERS.md", *(f"docs/{path.name}" for path in (ROOT / "docs").glob("*.md")))
FRAMES = range(1001, 1004)


def blocks(text: str, language: str) -> list[str]:
    """Return the code blocks of one language, without the indent they stand at."""
    found = re.findall(rf"^( *)```{language}\n(.*?)^\1```$", text, re.MULTILINE | re.DOTALL)
    return [textwrap.dedent(body) for _, body in found]


def commands(text: str) -> list[str]:
    lines = [line for block in blocks(text, "sh") for line in block.splitlines()]
    return [line for line in lines if line.startswith("halocline ")]


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Stand in a folder that has frames where the documentation says that the demo's are."""
    window = Window(0, 0, 48, 32)
    part = Part(
        index=0,
        name="",
        view="",
        channels={**dict.fromkeys("RGBA", "half"), "Z": "float"},
        data_window=window,
        display_window=window,
        attributes={
            "chromaticities": Attribute("float[8]", (0.64, 0.33, 0.3, 0.6, 0.15, 0.06, 0.3127, 0.329)),
            "worldToCamera": Attribute("matrix", tuple(np.eye(4).ravel())),
            "nominalFocalLength": Attribute("float", 20.0),
            "sensorOverallDimensions": Attribute("float2", (24.96, 14.04)),
        },
    )
    planes = {name: np.full(window.shape, 0.2, np.float32) for name in "RGB"}
    planes |= {"A": np.ones(window.shape, np.float32), "Z": np.full(window.shape, 8.0, np.float32)}
    (tmp_path / "demo_frames").mkdir()
    for frame in FRAMES:
        write_exr(tmp_path / "demo_frames" / f"arch.{frame}.exr", [PartPixels(part, planes)])
    monkeypatch.chdir(tmp_path)
    return tmp_path


def status_of(line: str) -> int:
    with pytest.raises(SystemExit) as left:
        run(shlex.split(line, comments=True)[1:])
    return int(left.value.code or 0)


def test_commands_of_the_readme_run_as_pasted(folder: Path) -> None:
    lines = commands(README)
    assert {line.split()[1] for line in lines} >= {"inspect", "preset", "apply"}
    for line in lines:
        assert status_of(line) == 0, line
    for out in ("wet", "low_sun"):
        assert sorted(path.name for path in (folder / "demo_out" / out).glob("*.exr")) == [
            f"arch.{frame}.exr" for frame in FRAMES
        ]


def test_preset_of_the_readme_is_valid_for_the_commands_that_it_names(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (preset,) = blocks(README, "toml")
    (folder / "my.toml").write_text(preset, encoding="utf-8")
    named = re.findall(r"`(halocline preset (?:check|show) my\.toml)`", README)
    assert len(named) == 2
    for line in named:
        assert status_of(line) == 0, line
    told = capsys.readouterr().out
    assert "no mistakes" in told
    # Animation, units and story all arrive.
    look = halocline.load_preset("my.toml")
    assert (look.at(1001).light.sun_elevation, look.at(1100).light.sun_elevation) == (35.0, 20.0)
    assert look.at(1001).story.subject_range == pytest.approx(300 * 0.3048)
    assert status_of("halocline apply my.toml 'demo_frames/arch.####.exr' --out out/ --no-check") == 0


def test_python_of_the_readme_runs() -> None:
    (code,) = blocks(README, "python")
    shape = (12, 16)
    names = {
        "rgb": np.full((*shape, 3), 0.18, np.float32),
        "range_m": np.full(shape, 6.0, np.float32),
        "alpha": np.ones(shape, np.float32),
    }
    names["range_m"][:3], names["alpha"][:3], names["rgb"][:3] = np.inf, 0.0, 0.0
    exec(compile(code, "README.md", "exec"), names)
    wet = names["wet"]
    assert isinstance(wet, halocline.WetFrame)
    assert wet.rgb.shape == (*shape, 3)
    assert wet.alpha.shape == shape
    assert (wet.alpha == 1.0).all()
    assert not np.array_equal(wet.rgb, names["rgb"])


def test_python_of_the_package_docstring_is_that_of_the_readme() -> None:
    (code,) = blocks(README, "python")
    docstring = halocline.__doc__ or ""
    lines = [re.sub(r"\s+#.*", "", line) for line in code.splitlines() if line]
    assert [line.strip() for line in docstring.split("::")[1].splitlines() if line.strip()] == lines


def test_targets_of_make_that_are_named_are_there() -> None:
    targets = set(re.findall(r"^([a-z]+):", (ROOT / "Makefile").read_text(encoding="utf-8"), re.MULTILINE))
    named = re.findall(r"\bmake ([a-z]+)\b(?=[`\s]*(?:#|$|`))", README + DEVELOPERS, re.MULTILINE)
    assert set(named) >= {"demo", "test", "lint", "types", "bench", "docs"}
    assert set(named) <= targets


def test_the_example_operator_works_from_a_package_of_its_own(tmp_path: Path) -> None:
    """As DEVELOPERS.md says: one module, one entry point, nothing changed in Halocline."""
    operator, _ = blocks(DEVELOPERS, "python")
    (declared,) = blocks(DEVELOPERS, "toml")
    entry_points = tomllib.loads(declared)["project"]["entry-points"]["halocline.operators"]
    ((name, place),) = entry_points.items()
    package, module = place.split(":")[0].split(".")
    site = tmp_path / "site"
    metadata = site / f"{package}-1.0.dist-info"
    for made in (site / package, metadata):
        made.mkdir(parents=True)
    (site / package / "__init__.py").write_text("")
    (site / package / f"{module}.py").write_text(operator, encoding="utf-8")
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {package}\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(f"[halocline.operators]\n{name} = {place}\n")
    step, setting = re.findall(r"asks for it by that name: `(\[.*?\])`, `(.*?)`", DEVELOPERS)[0]
    (tmp_path / "look.toml").write_text(f"format = 1\n{step}\n{setting}\n")
    script = f"""
        import sys
        sys.path.insert(0, {str(site)!r})
        import numpy as np
        import halocline
        light = np.random.default_rng(1).random((40, 16, 3), np.float32)
        range_m = np.full((40, 16), 5.0, np.float32)
        taken = halocline.apply(halocline.load_preset("look.toml"), light, range_m)
        assert np.array_equal(taken.rgb, light * np.float32(0.75))
        idle = halocline.load_preset("look.toml", ["steps.{name}.share=0"])
        assert np.array_equal(halocline.apply(idle, light, range_m).rgb, light)
        try:
            halocline.load_preset("look.toml", ["steps.{name}.share=1.5"])
        except halocline.HaloclineError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-W", "error", "-c", textwrap.dedent(script)],
        cwd=tmp_path,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    # The documented parameters take part in the messages about presets.
    assert "share" in done.stdout
    assert "Share of the light that is taken, 0 to 1." in done.stdout


def missing_files(page: str, pattern: str) -> list[str]:
    """Return what a page names in its text by a pattern and what is not there."""
    text = re.sub(r"```.*?```", "", (ROOT / page).read_text(encoding="utf-8"), flags=re.DOTALL)
    named = [link.split("#")[0] for link in re.findall(pattern, text)]
    local = [link for link in named if link and "://" not in link]
    return [link for link in local if not (ROOT / page).parent.joinpath(link).exists()]


@pytest.mark.parametrize("page", PAGES)
def test_links_of_the_documentation_lead_somewhere(page: str) -> None:
    assert not missing_files(page, r"(?<!!)\[[^\]]*\]\(([^)\s]+)\)")


@pytest.mark.parametrize("page", [page for page in PAGES if page.startswith("docs/")])
def test_pictures_of_the_documentation_are_there(page: str) -> None:
    assert not missing_files(page, r"!\[[^\]]*\]\(([^)\s]+)\)")


def add_operator(tree: Path, tests: Path) -> None:
    """Write the example's two files and its line of the registry, as DEVELOPERS.md says, and nothing else."""
    operator, test = blocks(DEVELOPERS, "python")
    (tree / "operators" / "dimming.py").write_text(operator, encoding="utf-8")
    (tests / "operators" / "test_dimming.py").write_text(test, encoding="utf-8")
    registry = tree / "operators" / "registry.py"
    text = registry.read_text(encoding="utf-8")
    line = '    "dimming": "halocline.operators.dimming:Dimming",\n'
    registry.write_text(text.replace('    "dome_port"', line + '    "dome_port"', 1), encoding="utf-8")


def test_the_example_operator_is_one_file_and_one_test(tmp_path: Path) -> None:
    """In a copy of the repository every law takes it in."""
    kept = shutil.ignore_patterns("__pycache__", "demo_frames")
    shutil.copytree(ROOT / "src", tmp_path / "src", ignore=kept)
    shutil.copytree(ROOT / "tests", tmp_path / "tests", ignore=kept)
    shutil.copy(ROOT / "pyproject.toml", tmp_path)
    add_operator(tmp_path / "src" / "halocline", tmp_path / "tests")
    tried = [
        "tests/operators/test_dimming.py",
        "tests/operators/test_laws.py",
        "tests/presets/test_every_key.py",
        "tests/operators/test_registry.py",
    ]
    wanted = "dimming or has_a_row"
    done = subprocess.run(
        [sys.executable, "-m", "pytest", "-p", "no:cacheprovider", "-vv", "-k", wanted, *tried],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path / "src")},
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr
    passed = [line for line in done.stdout.splitlines() if "dimming" in line and "PASSED" in line]
    # The test of its own, its key, the laws at two settings each, the registry.
    assert len(passed) >= 12, done.stdout


def test_the_example_operator_passes_lint_and_types_as_it_stands(tmp_path: Path) -> None:
    paths = [tmp_path / "dimming.py", tmp_path / "test_dimming.py"]
    for path, example in zip(paths, blocks(DEVELOPERS, "python"), strict=True):
        path.write_text(example, encoding="utf-8")
    settings = ["--config", str(ROOT / "pyproject.toml")]
    files = [str(path) for path in paths]
    checks = [
        ["ruff", "check", *settings, *files],
        ["ruff", "format", "--check", *settings, *files],
        ["mypy", "--strict", "--config-file", str(ROOT / "pyproject.toml"), *files],
    ]
    for check in checks:
        done = subprocess.run(
            [sys.executable, "-m", *check], cwd=ROOT, capture_output=True, text=True, check=False
        )
        assert done.returncode == 0, done.stdout + done.stderr
