"""Mistakes as a person makes them at the command line: their messages give code, place and what to type."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Any

import cv2
import numpy as np
import pytest

Halocline = Any
Renders = Any

CLEAN, FIRST = "clean/arch.####.exr", "clean/arch.1001.exr"
HEAD = "format = 1\n[water]\njerlov_type = '1C'\n"
JOB = 'format = 1\npreset = "jerlov-1c"\n'
SHOT = '[shots.%s]\nbeauty = "clean/arch.####.exr"\nout = "wet/"\n'
FILES = {
    "unaimed.toml": HEAD
    + "[[light.lamps]]\nposition = [0.0, 0.0, 2.0]\ntarget = [0.0, 0.0, 2.0]\n[steps.lamps]\n",
    "wake.toml": HEAD + "[steps.suspended_matter]\nwakes = [{ track = [{ frame = 1010, nose = [0, 0, 0] }, "
    "{ frame = 1001, nose = [1, 0, 0] }] }]\n",
    "drift.toml": HEAD + "[steps.suspended_matter]\ndrift = [{ frame = 1001 }, { frame = 1001 }]\n",
    "eddies.toml": HEAD + "[steps.water_layers]\n"
    "layers = [{ depth = 10.0, turbulence = { strength = 0.5, eddy = 0.01, finest_eddy = 0.02 } }]\n",
    "port.toml": HEAD + "[steps.measured_port]\nwater = {}\nphotograph = [400, 100]\n",
    "half_a_port.toml": HEAD + "[steps.measured_port]\nphotograph = [48, 32]\n",
    "nested.toml": "x = " + "[" * 40 + "]" * 40 + "\n",
    "dry.toml": HEAD + "[steps.bubbles]\n",
    "nested.job.toml": f"{JOB}x = {'[' * 40}{']' * 40}\n",
    "shotless.job.toml": JOB,
    "twice.job.toml": JOB + SHOT % "a" + SHOT % "b",
    "torn.job.toml": JOB + "[shots.a\n",
    "halved.job.toml": JOB + '[shots.a]\nout = "wet/"\n',
}
# What is typed, and of what the message consists: code and place, what is wrong, what to type.
CASES: dict[str, tuple[tuple[str, ...], tuple[str, str, str]]] = {
    "steps of no frame": (
        ("plot", "jerlov-1c", "--what", "steps", "--out", "p.png"),
        ("E-PLOT-FRAME  ", "plotted of a frame", "--render FRAME.exr"),
    ),
    "particles of clear water": (
        ("plot", "jerlov-1c", "--what", "particles", "--out", "p.png"),
        ("E-PLOT-PARTICLES  ", "nothing floats in this water", "halocline preset schema"),
    ),
    "motion of one frame": (
        ("sheet", FIRST, "--motion", "--out", "s.png"),
        ("E-SEQUENCE-PREVIEW  ", "only one frame", "leave --motion and --preview out"),
    ),
    "motion of clean frames": (
        ("sheet", CLEAN, "--preset", "jerlov-1c", "--motion", "--out", "s.png"),
        ("E-SEQUENCE-PREVIEW  ", "judged on finished frames", "without --preset"),
    ),
    "dive data that contradict": (
        ("match", "--visibility", "10 m", "--attenuation", "5"),
        ("E-MATCH-DIVE  ", "an attenuation near 0.391 1/m, not 5", "Leave out --visibility or --attenuation"),
    ),
    "dive data and pictures": (
        ("match", "still.png", "--secchi", "6 m"),
        ("E-MATCH-DIVE  ", "given together", "--secchi"),
    ),
    "nothing to match": (("match",), ("E-MATCH-DIVE  ", "no dive data are given", "--secchi 6")),
    "one sample": (
        ("match", "--sample", "#2f5a60@6 m=rock"),
        ("E-MATCH-SAMPLES  ", "do not show one colour at two ranges", '--sample "800,90@water"'),
    ),
    "sample of no form": (
        ("match", "--sample", "here"),
        (
            "E-SAMPLE-READ  ",
            'the sample "here" cannot be read',
            'X,Y@RANGE=WHAT, for example "412,233@2.5 m=grey"',
        ),
    ),
    "sample beside the picture": (
        ("match", "still.png", "--sample", "900,20@2 m=grey"),
        (
            "E-SAMPLE-PLACE  sample at 900,20: ",
            "outside the picture of 60 x 40",
            "X from 0 to 59 and Y from 0 to 39",
        ),
    ),
    "sample of another picture": (
        ("match", "still.png", "--sample", "3:9,20@2 m=grey"),
        ("E-SAMPLE-PLACE  sample at 9,20: ", "there is no still 3", "--sample N:X,Y@RANGE=WHAT"),
    ),
    "sample of burnt light": (
        ("match", "still.png", "--sample", "50,20@2 m=grey"),
        ("E-SAMPLE-PLACE  sample at 50,20: ", "clipped there", "not burnt out"),
    ),
    "no such encoding": (
        ("match", "still.png", "--encoding", "srgbb", "--sample", "9,20@2 m=grey"),
        ("E-SAMPLE-ENCODING  ", 'no encoding is called "srgbb"', 'Did you mean "srgb"?'),
    ),
    "axis without values": (
        ("wedge", "jerlov-1c", FIRST, "light.sun_elevation", "--out", "w.png"),
        ("E-WEDGE-AXIS  wedge: ", 'the axis "light.sun_elevation"', "KEY=V1,V2,V3 or KEY=FROM:TO:COUNT"),
    ),
    "three axes": (
        ("wedge", "jerlov-1c", FIRST, "a=1", "b=2", "c=3", "--out", "w.png"),
        ("E-WEDGE-AXIS  wedge: ", "a wedge has one axis or two", "KEY=V1,V2,V3"),
    ),
    "nothing to remove": (
        ("remove", "dry.toml", CLEAN, "--out", "wet/"),
        (
            "E-PRESET-REMOVE  dry: ",
            "none of its steps can be undone",
            "downwelling, attenuation, veiling_light",
        ),
    ),
    "layer that nobody makes": (
        ("apply", "jerlov-1c", CLEAN, "--out", "wet/", "--layers", "viel", "--no-check"),
        ("E-GRAPH-LAYERS  output.layers: ", 'make no layer "viel"', 'Did you mean "veil"?'),
    ),
    "one channel as positions": (
        (
            "apply",
            "jerlov-1c",
            FIRST,
            "--out",
            "wet/",
            "--set",
            "input.depth_channel=Z",
            "--set",
            "input.depth_kind=position",
        ),
        (
            "E-DEPTH-KIND  clean/arch.1001.exr: ",
            "no depth of kind position",
            "Set input.depth_kind to one of",
        ),
    ),
    "one depth for all frames": (
        ("apply", "jerlov-1c", CLEAN, "--depth", FIRST, "--out", "wet/"),
        (
            "E-SEQUENCE-MATCH  clean/arch.1001.exr: ",
            "is one file, but the beauty has 4 frames",
            "--depth name.####.exr",
        ),
    ),
    "lamp without an aim": (
        ("apply", "unaimed.toml", FIRST, "--out", "wet/"),
        ("E-PRESET-VALUE  unaimed.toml, line 4: ", "aimed at its own place", "\n  "),
    ),
    "wake against time": (
        ("apply", "wake.toml", FIRST, "--out", "wet/"),
        ("E-PRESET-VALUE  wake.toml, line 5: ", "its track are not in the order of frames", "\n  "),
    ),
    "drift that stands in time": (
        ("preset", "check", "drift.toml"),
        ("E-PRESET-VALUE  drift.toml, line 4: ", "drift are not in the order of frames", "\n  "),
    ),
    "eddies the wrong way round": (
        ("preset", "check", "eddies.toml"),
        (
            "E-PRESET-VALUE  eddies.toml, line 5: ",
            "finest_eddy 0.02 m is larger than eddy 0.01 m",
            "sizes from finest_eddy to eddy",
        ),
    ),
    "port of another picture": (
        ("apply", "port.toml", FIRST, "--out", "wet/", "--no-check"),
        (
            "E-OPERATOR-PORT  frame 1001, ",
            "the photographs are 400 x 100 and the picture 48 x 32",
            "fit again",
        ),
    ),
    "port without a photograph": (
        ("preset", "check", "half_a_port.toml"),
        (
            "E-PRESET-MISSING  half_a_port.toml, line 4, [steps.measured_port]: ",
            'the key "water" is missing',
            "Add water = ... there. water: The photograph under water",
        ),
    ),
    "nested preset": (
        ("preset", "check", "nested.toml"),
        ("E-PRESET-NEST  nested.toml: ", "nested more than 12 deep", "Take brackets away"),
    ),
    "nested job": (
        ("farm", "check", "nested.job.toml"),
        ("E-JOB-READ  nested.job.toml: ", "nested more than 6 deep", "[shots.NAME]"),
    ),
    "job that is no TOML": (
        ("farm", "check", "torn.job.toml"),
        ("E-JOB-READ  torn.job.toml: ", "line 3", "A job file is TOML"),
    ),
    "job without shots": (
        ("farm", "check", "shotless.job.toml"),
        (
            "E-JOB-SHOT  shotless.job.toml: ",
            "a job has 1 to 5000 shots",
            "[shots.archway_010] with beauty and out",
        ),
    ),
    "job of half a shot": (
        ("farm", "check", "halved.job.toml"),
        (
            "E-JOB-FILE  halved.job.toml, line 3, [shots.a]: ",
            'the key "beauty" is missing',
            "Add beauty = ...",
        ),
    ),
    "shot that is not in the job": (
        ("farm", "run", "twice.job.toml", "--shot", "c"),
        ("E-JOB-SHOT  twice.job.toml: ", 'there is no shot "c"', "Shots: a, b."),
    ),
    "two shots in one place": (
        ("farm", "run", "twice.job.toml"),
        ("E-JOB-OUTPUT  wet/arch.1001.exr: ", "would both be written to it", "with its key out"),
    ),
}


@pytest.fixture
def there(renders: Renders, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The folder in which the commands are typed."""
    monkeypatch.chdir(tmp_path)
    for name, text in FILES.items():
        (tmp_path / name).write_text(text, encoding="utf-8")
    still = np.full((40, 60, 3), 90, np.uint8)
    still[:, 45:] = 255
    cv2.imwrite("still.png", still)
    assert renders.folder == tmp_path / "clean"
    return tmp_path


@pytest.mark.parametrize(("typed", "parts"), CASES.values(), ids=CASES)
def test_a_mistake_is_told_with_code_place_and_what_to_type(
    halocline: Halocline, there: Path, typed: tuple[str, ...], parts: tuple[str, str, str]
) -> None:
    told = halocline(*typed)
    assert told.status == 2
    message = told.err[told.err.index("error: ") :]
    head, wrong, fix = parts
    assert message.startswith(f"error: {head}")
    # Told once, though it concerns every frame.
    assert message.count(head) == 1
    first, *rest = message.splitlines()
    assert wrong in first
    assert fix in "\n".join(["", *rest])
    assert rest[0].startswith("  ")
    assert not list(there.glob("wet/**/*.exr"))
    assert not list(there.glob("?.png"))


@pytest.mark.parametrize(
    ("package", "typed", "code", "extra"),
    [
        (
            "matplotlib.figure",
            ("plot", "jerlov-1c", "--what", "spectra", "--out", "p.png"),
            "E-PLOT-PACKAGE",
            "plots",
        ),
        ("starlette.applications", ("tune", "jerlov-1c", FIRST), "E-TUNE-PACKAGE", "tune"),
    ],
)
def test_a_package_that_is_not_installed_is_told_with_how_to_install_it(
    halocline: Halocline,
    there: Path,
    monkeypatch: pytest.MonkeyPatch,
    package: str,
    typed: tuple[str, ...],
    code: str,
    extra: str,
) -> None:
    monkeypatch.setitem(sys.modules, package, None)
    monkeypatch.delitem(sys.modules, "halocline.tuning.server", raising=False)
    told = halocline(*typed)
    assert told.status == 2
    assert told.err.startswith(f"error: {code}  ")
    assert "which is not installed" in told.err
    assert f'pip install "halocline[{extra}]"' in told.err


def test_photographs_of_two_sizes_are_refused(halocline: Halocline, there: Path) -> None:
    squares = np.kron(np.indices((7, 11)).sum(axis=0) % 2, np.ones((40, 40))) * 255.0
    for name, border in (("wet.png", 40), ("dry.png", 60)):
        cv2.imwrite(name, np.pad(squares, border, constant_values=255.0).astype(np.uint8))
    told = halocline("port", "wet.png", "--air", "dry.png")
    assert told.status == 2
    assert told.err.startswith("error: E-INPUT-SIZE  dry.png: the photographs are 520 x 360 and 560 x 400")
    assert "same camera, lens and crop" in told.err
