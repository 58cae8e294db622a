"""Story visibility: the remap that shows a subject where real water would hide it, and what was given up."""

from __future__ import annotations

import math
from dataclasses import field, replace

import numpy as np

from halocline._typing import F64
from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.physics.path.seen_contrast import ContrastSeen
from halocline.physics.path.silhouette import before_level_water, before_water, tilted, view_of_subject
from halocline.physics.path.transport import LightPath
from halocline.physics.path.visibility import LEAST_CONTRAST, RangeRemap, remap_through
from halocline.presets.sections import StorySection

# 3.912/c of pure sea water at 402 nm, where it is clearest (c 0.0132 1/m by `physics.water.pure_water`): no
# wavelength carries contrast farther.
CLEAREST_SIGHTING_M = 296.0
# Nearer than this a thing looks no larger, metres.
NEAREST_M = 0.1
# What holds for turns of the lens to all sides.
LEVEL = "in a level view with the sun abeam"


@dataclass(frozen=True)
class StoryReport:
    """What the story asks of the water, and what the water itself would have shown.

    Attributes
    ----------
    sighting_range_m
        Level range at which a small black object's contrast falls to 2 % in this water.
    subject_range_m, wanted_contrast
        What the story asks for, if anything.
    physical_contrast
        Contrast at that range without the remap.
    seen_range_m
        Range at which real water shows that contrast: how far away the subject looks.
    remap
        The remap in force.
    seen
        What black things show in the view that it is reckoned for.
    view
        That view, in words.
    subject_size_m
        How large the subject is; 0 where there is none, or nothing scatters forward.
    """

    sighting_range_m: float
    subject_range_m: float | None
    wanted_contrast: float | None
    physical_contrast: float | None
    seen_range_m: float | None
    remap: RangeRemap
    seen: ContrastSeen = field(compare=False)
    view: str
    subject_size_m: float

    def contrasts(self, ranges_m: F64) -> tuple[F64, F64]:
        """Return what a black thing as large as the subject shows, by the water alone and as remapped.

        Parameters
        ----------
        ranges_m
            Where it stands, metres, ``(n,)``.

        Returns
        -------
        physical, shown
            Contrast with open water, ``(n,)``, 0 to 1; of a thing of no size where there is no subject.
        """
        sides = self.subject_size_m / np.maximum(ranges_m, NEAREST_M)
        as_seen = self.remap.exact(ranges_m)
        physical, shown = (
            np.array([self.seen.at(float(s), float(side)) for s, side in zip(lengths, sides, strict=True)])
            for lengths in (ranges_m, as_seen)
        )
        return physical, shown

    def lines(self) -> list[str]:
        """Return the report as sentences."""
        told = [f"This water hides a small black object at {self.sighting_range_m:.3g} m (contrast 2 %)."]
        if self.subject_range_m is None:
            if not self.remap.physical:
                told.append(
                    f"Range is physical to {self.remap.near_m:.3g} m and drawn near beyond, "
                    f"softness {self.remap.softness_m:.3g} m."
                )
            return told
        told.append(
            f"The story shows the subject at {self.subject_range_m:.4g} m with contrast "
            f"{self.wanted_contrast:.3g}; real water leaves it {self.physical_contrast:.2g}, {self.view}."
        )
        if self.remap.physical:
            told.append("The water is clear enough: range stays physical.")
        else:
            told.append(
                f"Range is physical to {self.remap.near_m:.3g} m; beyond, it is drawn near until "
                f"{self.subject_range_m:.4g} m looks like {self.seen_range_m:.3g} m."
            )
            told.append(self._price())
        return told

    def _price(self) -> str:
        """Return what honest water would have to be like to show as much."""
        assert self.subject_range_m is not None  # only a story with a subject has a price
        assert self.seen_range_m is not None
        clearer = self.subject_range_m / self.seen_range_m
        beyond = "" if clearer * self.sighting_range_m < CLEAREST_SIGHTING_M else " No sea is as clear."
        return (
            f"The price: honest water would have to be {clearer:.2g} times as clear, hiding a small black "
            f"object only at {clearer * self.sighting_range_m:.3g} m.{beyond}"
        )


def solved_story(
    path: LightPath, story: StorySection, *, axis: F64 | None = None, scattered: bool = True
) -> StoryReport:
    """Find the remap that a preset's ``[story]`` asks for.

    Parameters
    ----------
    path
        The water without a remap, at the depth the story is reckoned for.
    story
        The section.
    axis
        The lens's, unit, ``(3,)``; level with the sun abeam where it is not known or there is none.
    scattered
        Whether the preset scatters light forward; without, things of any size fade like small ones.

    Raises
    ------
    PhysicsError
        ``E-PHYSICS-REMAP`` where the near limit leaves no room.
    """
    seen = _seen(path, story, axis)
    sighting = before_level_water(path).range_of(LEAST_CONTRAST, 0.0)
    remap, looks_m = _remap(seen, story, scattered=scattered)
    if looks_m is None:
        return StoryReport(sighting, None, None, None, None, remap, seen, LEVEL, 0.0)
    assert story.subject_range is not None  # what looks as far as that
    physical = seen.at(story.subject_range, _slope(story, scattered=scattered))
    return StoryReport(
        sighting,
        story.subject_range,
        story.silhouette_contrast,
        physical,
        looks_m,
        remap,
        seen,
        _in_words(seen, story, axis),
        story.subject_size if scattered else 0.0,
    )


def _remap(seen: ContrastSeen, story: StorySection, *, scattered: bool) -> tuple[RangeRemap, float | None]:
    """Return the remap, and how far away the subject then looks, where the story has one."""
    if story.subject_range is None or story.silhouette_contrast is None:
        softness = story.softness if story.softness is not None else math.inf
        return RangeRemap(story.near_limit or 0.0, softness), None
    looks_m = seen.range_of(story.silhouette_contrast, _slope(story, scattered=scattered))
    near = story.near_limit if story.near_limit is not None else 0.5 * looks_m
    try:
        return remap_through(near, story.subject_range, looks_m), looks_m
    except PhysicsError as error:
        raise error.located("[story]") from None


def _slope(story: StorySection, *, scattered: bool) -> float:
    """Return the subject's size over its range, 0 where nothing scatters forward."""
    return story.subject_size / story.subject_range if scattered and story.subject_range else 0.0


def _seen(path: LightPath, story: StorySection, axis: F64 | None) -> ContrastSeen:
    """Return what a subject shows in the view that the story is reckoned for."""
    looks = _looks(path, story, axis)
    if looks is None or story.subject_range is None:
        return before_level_water(path)
    return before_water(path, view_of_subject(path, looks, story.subject_range))


def _looks(path: LightPath, story: StorySection, axis: F64 | None) -> F64 | None:
    """Return where the view looks that is stated, else the lens; None where neither is known."""
    return axis if story.pitch is None else tilted(path, math.radians(story.pitch))


def _in_words(seen: ContrastSeen, story: StorySection, axis: F64 | None) -> str:
    """Return the view that a subject's contrast is reckoned for, as the end of a sentence."""
    looks = _looks(seen.path, story, axis)
    if looks is None:
        return LEVEL
    rise, reached = (float(way @ seen.path.up) for way in (looks, seen.direction))
    told = _pitch(rise)
    told = f"along the lens's axis, {told}" if story.pitch is None else f"in a view {told} with the sun abeam"
    if reached == rise:
        return told
    return f"{told}, counted as {_pitch(reached)}, where it leaves the water at the subject"


def _pitch(rise: float) -> str:
    """Return how far up a direction looks in words, from its share of up."""
    pitch = math.degrees(math.asin(min(1.0, max(-1.0, rise))))
    return "level" if abs(pitch) < 0.5 else f"{abs(pitch):.0f} degrees {'up' if pitch > 0.0 else 'down'}"


def with_story(
    path: LightPath,
    story: StorySection,
    *,
    within: LightPath | None = None,
    axis: F64 | None = None,
    scattered: bool = True,
) -> LightPath:
    """Return the water with the story's remap.

    Parameters
    ----------
    path
        The water without a remap.
    story, axis, scattered
        As in `solved_story`.
    within
        The same water at the depth that the story is reckoned for; as deep as the path where not given.
    """
    if story.subject_range is None and story.softness is None:
        return path
    seen = _seen(path if within is None else within, story, axis)
    return replace(path, remap=_remap(seen, story, scattered=scattered)[0])
