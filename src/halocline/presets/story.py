"""Story visibility: the remap that shows a subject where real water would hide it, and what was given up."""

from __future__ import annotations

import math
from dataclasses import replace

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
    """

    sighting_range_m: float
    subject_range_m: float | None
    wanted_contrast: float | None
    physical_contrast: float | None
    seen_range_m: float | None
    remap: RangeRemap

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
            f"{self.wanted_contrast:.3g}; real water leaves it {self.physical_contrast:.2g}."
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
        return StoryReport(sighting, None, None, None, None, remap)
    assert story.subject_range is not None  # what looks as far as that
    physical = seen.at(story.subject_range, _slope(story, scattered=scattered))
    return StoryReport(sighting, story.subject_range, story.silhouette_contrast, physical, looks_m, remap)


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
    stated = None if story.pitch is None else tilted(path, math.radians(story.pitch))
    view = axis if stated is None else stated
    if view is None or story.subject_range is None:
        return before_level_water(path)
    return before_water(path, view_of_subject(path, view, story.subject_range))


def with_story(
    path: LightPath, story: StorySection, *, axis: F64 | None = None, scattered: bool = True
) -> LightPath:
    """Return the water with the story's remap; arguments as in `solved_story`, at any depth."""
    if story.subject_range is None and story.softness is None:
        return path
    depth = path.camera_depth_m if story.depth is None else story.depth
    seen = _seen(replace(path, camera_depth_m=depth), story, axis)
    return replace(path, remap=_remap(seen, story, scattered=scattered)[0])
