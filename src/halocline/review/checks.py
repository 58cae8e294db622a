"""Checks of a finished sequence: bad pixels, flicker, metadata, missing frames, flash safety.

Every frame is read once. Pictures are looked at as a display shows them, reduced to at most 480 pixels
across; bad pixels are counted in the file's own.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Collection, Iterable, Mapping, Sequence
from dataclasses import asdict, field
from pathlib import Path
from typing import Any

import numpy as np

from halocline.errors import HaloclineError
from halocline.imaging.sequence import find_sequence, frame_text
from halocline.late_dataclass import dataclass
from halocline.presets.preset import preset_from_text
from halocline.review.checked_frame import CheckedView, CheckOptions, looks_at
from halocline.review.eyes import EyesCheck, EyesResult
from halocline.review.flash import HELD_OF_SECONDS, MOST_FLASHES, FlashCheck, RuleResult
from halocline.review.flicker import Departure, FlickerCheck, luma

# Frames of more presets than this are told of without asking whether these are one look.
MOST_PRESETS = 8

CAUTION = (
    "this is a pre-check on a reduced picture: it does not replace a certified test, and regular patterns "
    "are not looked at"
)


@dataclass(frozen=True)
class Finding:
    """One thing that a person should look at: what kind, on which frames, in words."""

    kind: str
    frames: tuple[int, ...]
    text: str


@dataclass(frozen=True)
class CheckReport:
    """What the checks found.

    Attributes
    ----------
    frames
        Frames looked at.
    fps, fps_source
        Frame rate of the flash check, and where it comes from.
    findings
        What is to be looked at; empty where all is well.
    flash
        What each flash rule found, by view.
    notes
        What is no fault but good to know.
    eyes
        How the two views of stereo pictures go together; None where there are not two.
    """

    frames: tuple[int, ...]
    fps: float
    fps_source: str
    findings: tuple[Finding, ...]
    flash: dict[str, tuple[RuleResult, ...]]
    notes: tuple[str, ...] = ()
    eyes: EyesResult | None = None

    @property
    def passes(self) -> bool:
        """Whether nothing was found."""
        return not self.findings

    def lines(self) -> list[str]:
        """Return the report for a person."""
        kinds = {"pixels": "bad pixels", "flicker": "flicker", "metadata": "metadata", "frames": "frames"}
        lines = []
        for kind, title in kinds.items():
            found = [finding for finding in self.findings if finding.kind == kind]
            well = self._extent() if kind == "frames" else "nothing found"
            lines += [f"{title}: {finding.text}" for finding in found] or [f"{title}: {well}"]
        for view, results in self.flash.items():
            place = f" ({view})" if view else ""
            lines += [f"{_flash_text(result)}{place}" for result in results]
        if self.eyes is not None:
            lines += [f"eyes: {finding.text}" for finding in self.findings if finding.kind == "eyes"]
            lines.append(self.eyes.text)
        lines += [f"note: {note}" for note in self.notes]
        lines.append(f"flash check at {self.fps:g} frames/s ({self.fps_source}); {CAUTION}")
        return lines

    def _extent(self) -> str:
        """Say which frames are there; whether these are all, only who ordered them knows."""
        if not self.frames:
            return "none there"
        return f"{len(self.frames)} there, {frame_text(self.frames)}"

    def to_dict(self) -> dict[str, Any]:
        """Return plain data."""
        flash = {
            view: [{**asdict(result), "passes": result.passes, "held": result.held} for result in results]
            for view, results in self.flash.items()
        }
        return {
            "frames": frame_text(self.frames),
            "passes": self.passes,
            "fps": self.fps,
            "findings": [asdict(finding) for finding in self.findings],
            "flash": flash,
            "eyes": None if self.eyes is None else asdict(self.eyes),
            "notes": list(self.notes),
            "lines": self.lines(),
        }


@dataclass
class _ViewChecks:
    flash: FlashCheck
    flicker: FlickerCheck = field(default_factory=FlickerCheck)


def check_sequence(
    source: str | Path,
    *,
    frames: str | None = None,
    options: CheckOptions | None = None,
    expected: Iterable[int] = (),
    left_out: Iterable[int] = (),
) -> CheckReport:
    """Check a sequence.

    Parameters
    ----------
    source
        A pattern, or one file.
    frames
        Range; all that are there where not given.
    options
        Frame rate and display.
    expected
        Frames that should be there besides; each that is not is found missing.
    left_out
        Frames that are knowingly not there; they are noted.

    Returns
    -------
    CheckReport
        What was found, frame by frame.

    Raises
    ------
    SequenceError
        Where there are no such files.
    ColourError
        Where the display or view is not known.
    """
    options = options or CheckOptions()
    sequence = find_sequence(source, frames)
    ordered = sorted(sequence.frames)
    left_out = sorted(set(left_out).difference(ordered))
    more = {*expected, *(sequence.gaps() if frames is None else ())}.difference(ordered, left_out)
    absent = sorted({*sequence.missing(), *more})
    collected = _Collected(options)
    for frame, looks in looks_at(
        [(frame, sequence.path(frame)) for frame in ordered if frame not in absent], options
    ):
        collected.add(frame, looks)
    return collected.report(absent, left_out)


class _Collected:
    """Everything that was seen, frame by frame, in order."""

    def __init__(self, options: CheckOptions) -> None:
        self.options = options
        self.frames: list[int] = []
        self.findings: list[Finding] = []
        self.views: dict[str, _ViewChecks] = {}
        self.bad: dict[str, dict[int, int]] = {}
        # By view, then frame.
        self.marks: dict[str, dict[int, dict[str, str]]] = {}
        # The mark of each frame's preset, and resolved texts by mark.
        self.preset_of: dict[int, str] = {}
        self.presets: dict[str, str] = {}
        # The small picture of the first frame says what shape motion and flashes are looked for in.
        self.shapes: dict[str, tuple[int, ...]] = {}
        self.eyes = EyesCheck()
        self.others: list[int] = []
        self.outside = 0.0
        self.fps, self.fps_source = options.fps, "stated"

    def add(self, frame: int, looks: list[CheckedView] | HaloclineError) -> None:
        if isinstance(looks, HaloclineError):
            self.findings.append(
                Finding("frames", (frame,), f"frame {frame} cannot be read: {looks.message}")
            )
            return
        self.frames.append(frame)
        if len(looks) == 2 and looks[0].pixels.shape == looks[1].pixels.shape:
            self.eyes.add(frame, *((look.view, look.pixels) for look in looks))
        for look in looks:
            if self.fps is None:
                self._take_rate(look.fps)
            assert self.fps is not None
            checks = self.views.setdefault(look.view, _ViewChecks(FlashCheck(self.fps, self.options.screen)))
            shape = self.shapes.setdefault(look.view, look.pixels.shape)
            if look.pixels.shape == shape:
                checks.flash.add(frame, look.pixels.astype(np.float32) / np.float32(255))
                checks.flicker.add(frame, luma(look.pixels))
            else:
                self.others.append(frame)
            for kind, count in look.bad.items():
                if count:
                    of_kind = self.bad.setdefault(kind, {})
                    of_kind[frame] = of_kind.get(frame, 0) + count
            self.outside = max(self.outside, look.outside)
            self.preset_of[frame] = look.marks["preset"]
            self.presets.setdefault(look.marks["preset"], look.preset)
            self.marks.setdefault(look.view, {})[frame] = look.marks

    def _take_rate(self, found: float | None) -> None:
        if found is None:
            self.fps, self.fps_source = self.options.fallback_fps, "assumed: the files do not say"
        else:
            self.fps, self.fps_source = found, "from the files"

    def report(self, absent: Sequence[int], left_out: Sequence[int] = ()) -> CheckReport:
        findings = list(self.findings)
        if absent:
            findings.append(Finding("frames", tuple(absent), f"not there: {frame_text(absent)}"))
        if self.others:
            text = (
                "another display window than the first frame, not looked at for flicker and flashes: "
                f"{frame_text(self.others)}"
            )
            findings.append(Finding("frames", tuple(self.others), text))
        for kind, counts in self.bad.items():
            text = f"{sum(counts.values())} {kind} pixels on frames {frame_text(counts)}"
            findings.append(Finding("pixels", tuple(counts), text))
        findings += _odd_views(self.frames, self.marks)
        one_look = self._one_look()
        findings += [
            each
            for view, marks in self.marks.items()
            for each in _odd_metadata(marks, f"{view}: " if view else "", one_look=one_look)
        ]
        for view, checks in self.views.items():
            place = f" ({view})" if view else ""
            findings += [_flicker_finding(each, place) for each in checks.flicker.flickering()]
        flash = {view: checks.flash.results() for view, checks in self.views.items()}
        for results in flash.values():
            findings += [_flash_finding(result) for result in results if result.held or not result.passes]
        fps = self.fps or self.options.fallback_fps
        eyes = self.eyes.result()
        if eyes is not None:
            findings += [Finding("eyes", eyes.frames, text) for text in eyes.faults()]
        return CheckReport(
            tuple(self.frames),
            fps,
            self.fps_source,
            tuple(findings),
            flash,
            tuple(self._notes(left_out)),
            eyes,
        )

    def _one_look(self) -> bool:
        """Tell whether one of the frames' presets says of every frame what that frame's own says.

        So it is where a note changed some frames alone, and the others were kept.
        """
        own = self.preset_of
        if not 1 < len(self.presets) <= MOST_PRESETS:
            return False
        try:
            looks = {mark: preset_from_text(text) for mark, text in self.presets.items()}
        except HaloclineError:
            return False
        said = {frame: looks[mark].digest_at(frame) for frame, mark in own.items()}
        return any(all(look.digest_at(frame) == said[frame] for frame in own) for look in looks.values())

    def _notes(self, left_out: Sequence[int]) -> list[str]:
        notes = [f"left out, since they have no input: {frame_text(left_out)}"] if left_out else []
        if self.outside < 0.001:
            return notes
        return [
            *notes,
            f"up to {self.outside:.1%} of a frame's pixels have colours beyond the working space (a channel "
            "below 0, luminance above): normal in saturated water; a wider space such as ACEScg holds more",
        ]


def _odd_views(frames: Sequence[int], seen: Mapping[str, Collection[int]]) -> list[Finding]:
    """Find frames that lack a view which most frames have, or have one which most lack."""
    findings = []
    for view, having in seen.items():
        absent = [frame for frame in frames if frame not in having]
        usual = len(absent) <= len(having)
        odd = absent if usual else sorted(having)
        if absent:
            of = f'the view "{view}"' if view else "a picture of no view"
            text = f"frames {frame_text(odd)} {'lack' if usual else 'alone have'} {of}"
            findings.append(Finding("views", tuple(odd), text))
    return findings


def _odd_metadata(marks: dict[int, dict[str, str]], place: str, *, one_look: bool) -> list[Finding]:
    """Find frames whose marks are not those of most frames; presets may differ where they are one look."""
    findings = []
    names = dict.fromkeys(name for found in marks.values() for name in found)
    if one_look:
        del names["preset"]
    for name in names:
        values = {frame: found.get(name, "missing") for frame, found in marks.items()}
        usual, _ = Counter(values.values()).most_common(1)[0]
        odd: dict[str, list[int]] = {}
        for frame, value in values.items():
            if value != usual:
                odd.setdefault(value, []).append(frame)
        findings += [
            Finding(
                "metadata",
                tuple(frames),
                f"{place}{name} is {value} on frames {frame_text(frames)}, else {usual}",
            )
            for value, frames in odd.items()
        ]
    return findings


def _flicker_finding(found: Departure, place: str) -> Finding:
    text = (
        f"frame {found.frame}{place} does not fit its neighbours: brightness {found.level:+.3f}, unexplained "
        f"by motion {found.unexplained:.3f} on the mean and {found.local:.3f} in one place (of a range of 1)"
    )
    return Finding("flicker", (found.frame,), text)


def _flash_finding(result: RuleResult) -> Finding:
    frames = result.frames or (0, 0)
    return Finding("flash", tuple(range(frames[0], frames[1] + 1)), _flash_text(result))


def _flash_text(result: RuleResult) -> str:
    if result.frames is None:
        return f"{result.rule}: no flash; at most {result.area_share:.0%} of a field changes at once"
    first, last = result.frames
    verdict = "within" if result.passes else "BEYOND"
    return (
        f"{result.rule}: {result.most_flashes:g} flashes in one second (frames {first}-{last}), {verdict} "
        f"the limit of {MOST_FLASHES}{_held_text(result)}"
    )


def _held_text(result: RuleResult) -> str:
    if not result.held:
        return ""
    return (
        f"; HELD: two flashes or more a second for {result.held_s:.1f} of {HELD_OF_SECONDS:g} seconds, which "
        "can harm some viewers though no second breaks the rule: calm it, or have it tested"
    )
