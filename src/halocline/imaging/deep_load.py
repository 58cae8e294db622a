"""A deep picture read for a frame: its samples made sound and tidy, and the picture flat for all the rest.

A frame with a deep beauty has flat planes as any other (of each pixel, what is seen of all its samples, and
the range of the one that is seen most of), and beside them the samples, which water is put before one by one.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from halocline._typing import F32
from halocline.errors import ChannelError, DepthError
from halocline.imaging.camera import Camera
from halocline.imaging.channel_plan import ChannelPlan
from halocline.imaging.deep import Samples, flattened, over, tidied
from halocline.imaging.deep_file import read_deep
from halocline.imaging.depth import ENDLESS, DepthSpec
from halocline.imaging.exr import Part
from halocline.imaging.frame import Window
from halocline.imaging.input_spec import InputSpec
from halocline.imaging.repair import BadPixels, repair

# Kinds of depth that grow evenly with distance, as deep samples must to be cut and merged.
DEEP_KINDS = ("planar", "range", "negative_planar")


@dataclass(frozen=True)
class DeepPicture:
    """What of a deep picture goes through the water.

    Attributes
    ----------
    samples
        Tidy, colours in the working space.
    metres
        Range of a pixel for one unit of depth, ``(rows, columns)``.
    sign
        Of depth in the file: -1 where it is negative in front of the lens.
    """

    samples: Samples
    metres: F32
    sign: float

    def range_m(self, samples: Samples) -> F32:
        """Return the range in the middle of samples of the same pixels, ``(n,)``; inf is endlessly far."""
        middle = 0.5 * samples.front + 0.5 * samples.back
        return middle * self.metres.ravel()[samples.pixels]

    def length_m(self, samples: Samples) -> F32:
        """Return how long the slabs among samples are along the ray, metres, ``(n,)``; 0 for points."""
        finite = np.isfinite(samples.back)
        length = np.subtract(samples.back, samples.front, out=np.zeros_like(samples.back), where=finite)
        return length * self.metres.ravel()[samples.pixels]


@dataclass(frozen=True)
class ReadSamples:
    """A view's samples as they were read and mended.

    Attributes
    ----------
    samples
        Tidy, colours as the file has them but premultiplied.
    sign
        As `DeepPicture.sign`.
    counts
        Numbers for the record.
    bad
        How many had colours that are no light.
    warnings
        What was wrong with them.
    """

    samples: Samples
    sign: float
    counts: Mapping[str, int]
    bad: BadPixels
    warnings: tuple[str, ...]

    def lights(self) -> list[F32]:
        """Return all that is light, ``(3, 1, n)`` each, of the same memory."""
        passes = self.samples.passes
        own = [plane for name, plane in passes.items() if name.startswith("light.")]
        return [plane[:, None] for plane in (self.samples.rgb, *own)]

    def planes(self, *, depth: bool) -> dict[str, F32]:
        """Return the picture flat, by plane name."""
        flat = flattened(self.samples)
        planes = {"rgb": flat.rgb, "alpha": flat.alpha}
        if depth:
            middle = 0.5 * self.samples.front + 0.5 * self.samples.back
            planes["depth"] = flat.of_main(np.float32(self.sign) * middle, np.nan)
        for name, plane in self.samples.passes.items():
            planes[name] = (
                over(self.samples, plane) if name.startswith("light.") else flat.of_main(plane, 0.0)
            )
        return planes


def deep_planes(plan: ChannelPlan) -> frozenset[str]:
    """Return the names of a plan's planes that are read from its deep beauty; none where that is flat.

    Parameters
    ----------
    plan
        What is read of a view.

    Returns
    -------
    frozenset[str]
        Names.
    """
    if not plan.part.deep:
        return frozenset()
    return frozenset(
        name for name, (_, channels) in plan.planes.items() if all(each.part.deep for each in channels)
    )


def read_samples(path: Path, plan: ChannelPlan, window: Window, spec: InputSpec) -> ReadSamples:
    """Read a view's samples.

    Parameters
    ----------
    path
        The beauty's file.
    plan
        What is read of the view.
    window
        Window of the frame, the data window or more.
    spec
        What is stated about the input.

    Raises
    ------
    ReadError, ChannelError
        As `halocline.imaging.deep_file.read_deep`.
    DepthError
        ``E-DEEP-DEPTH`` where depth is not the samples' own Z.
    """
    part = plan.planes["rgb"][1][0].part
    front, back = _depth_channels(path, plan, part)
    names = {name: [each.name for each in plan.planes[name][1]] for name in deep_planes(plan) - {"depth"}}
    _refuse_other_parts(path, plan, part)
    wanted = [*dict.fromkeys(channel for each in names.values() for channel in each), front]
    wanted += [] if back is None else [back]
    counts, values = read_deep(path, part, wanted if "alpha" in names else [*wanted, "A"])
    wide = np.zeros(window.shape, np.intp)
    wide[window.slices_of(part.data_window)] = counts
    passes = {
        name: values[channels[0]] if len(channels) == 1 else np.stack([values[each] for each in channels])
        for name, channels in names.items()
        if name not in ("rgb", "alpha")
    }
    near = values[front]
    raw = Samples(
        wide,
        np.stack([values[each] for each in names["rgb"]]),
        values[names["alpha"][0]],
        near,
        near if back is None else values[back],
        passes,
    )
    return _mended(raw, spec)


def _depth_channels(path: Path, plan: ChannelPlan, part: Part) -> tuple[str, str | None]:
    """Return the names of the samples' depths; the second is None where all are points."""
    source, channels = plan.planes.get("depth", (path, ()))
    if source != path or len(channels) > 1 or any(each.part.index != part.index for each in channels):
        raise DepthError(
            "is deep: each of its samples has its own depth, Z, and no other goes with it",
            code="E-DEEP-DEPTH",
            where=str(path),
            fix="Leave out --depth, input.depth_channel and input.depth_kind.",
        )
    stem = plan.planes["rgb"][1][0].name.rpartition(".")[0]
    front = channels[0].name if channels else f"{stem}.Z" if f"{stem}.Z" in part.channels else "Z"
    back = f"{front}Back"
    return front, back if back in part.channels else None


def _refuse_other_parts(path: Path, plan: ChannelPlan, part: Part) -> None:
    for name in deep_planes(plan):
        if name in plan.ids or any(each.part.index != part.index for each in plan.planes[name][1]):
            raise ChannelError(
                f'"{name}" cannot be read of deep samples'
                + (" by the names of things" if name in plan.ids else ": it is in another part than colour"),
                code="E-CHANNEL-MISSING",
                where=str(path),
                fix="Render it flat, and give it by --pass NAME=FILE; or leave out what asks for it.",
            )


def _mended(raw: Samples, spec: InputSpec) -> ReadSamples:
    """Make samples sound: depths in order and positive, coverage within 0 to 1; tell what was not."""
    told: list[str] = []
    known = raw.front[np.isfinite(raw.front)]
    sign = -1.0 if known.size and (known < 0.0).all() else 1.0
    front, back = np.float32(sign) * raw.front, np.float32(sign) * raw.back
    nowhere = ~(front > 0.0)
    far = nowhere | ~(front < ENDLESS)
    bad_back = ~far & ~(back >= front)
    front = np.where(far, np.float32(np.inf), front)
    back = np.where(far | bad_back, front, np.where(back < ENDLESS, back, front))
    unsound = ~((raw.alpha >= 0.0) & (raw.alpha <= 1.0))
    alpha = np.clip(np.nan_to_num(raw.alpha, nan=0.0, posinf=1.0, neginf=0.0), 0.0, 1.0)
    for mask, what in (
        (nowhere, "no depth in front of the lens (Z is 0, of the other sign, or no number): endlessly far"),
        (bad_back, "their back (ZBack) before their front (Z): taken as points"),
        (unsound, "a coverage (A) outside 0 to 1, or none: held to that"),
    ):
        if count := int(np.count_nonzero(mask)):
            told.append(f"{count} of {raw.size} deep samples have {what}")
    if raw.size == 0:
        told.append("the deep picture holds no sample: all of it is open water")
    rgb = np.ascontiguousarray(raw.rgb)
    bad = BadPixels()
    if raw.size:
        # What lies beside a sample in memory is no neighbour of it.
        policy = "clamp" if spec.repair == "inpaint" else spec.repair
        bad = repair(rgb[:, None], None, policy)
        if bad.any():
            done = "left as they are" if policy == "report" else "clamped"
            told.append(
                f"bad deep samples: {bad.nan} not a number, {bad.infinite} infinite, {bad.negative} "
                f"negative; {done} (input.bad_pixels)"
            )
    if not spec.premultiplied:
        rgb *= alpha
    sound = replace(raw, rgb=rgb, alpha=alpha, front=front, back=back)
    samples = tidied(sound)
    counts = {"samples": raw.size, "samples_tidied": 0 if samples is sound else samples.size}
    return ReadSamples(samples, sign, counts, bad, tuple(told))


def deep_picture(read: ReadSamples, spec: DepthSpec, camera: Camera, window: Window) -> DeepPicture:
    """Return what of a deep picture goes through the water.

    Parameters
    ----------
    read
        Its samples, colours in the working space.
    spec
        What their depth is.
    camera, window
        The camera, and the frame's window.

    Raises
    ------
    DepthError
        ``E-DEEP-DEPTH`` where depth is of a kind that does not grow evenly with distance.
    """
    if spec.kind not in DEEP_KINDS:
        raise DepthError(
            f"depth of kind {spec.kind} does not grow evenly with distance, as deep samples' must",
            code="E-DEEP-DEPTH",
            fix=f"Say what Z is: input.depth_kind = {' or '.join(map(repr, DEEP_KINDS))}.".replace("'", '"'),
        )
    unit = np.float32(spec.depth_unit_m)
    metres = np.full(window.shape, unit) if spec.kind == "range" else unit * camera.range_per_depth(window)
    return DeepPicture(read.samples, metres, read.sign)
