"""What a story costs, in the words of its report, against figures worked by hand."""

from __future__ import annotations

import pytest
from tests.conftest import Builders

from halocline.physics.path.visibility import RangeRemap
from halocline.presets.sections import StorySection
from halocline.presets.story import StoryReport, solved_story


def report(*, subject_m: float, seen_m: float, hidden_m: float) -> StoryReport:
    """A story that draws a subject near."""
    remap = RangeRemap(near_m=2.0, softness_m=1.0)
    return StoryReport(hidden_m, subject_m, 0.2, 0.001, seen_m, remap)


def test_the_price_is_how_many_times_clearer_water_had_to_be() -> None:
    """A subject at 90 m that looks like 15 m: 6 times; what 10 m hide, 60 m would."""
    *_, price = report(subject_m=90.0, seen_m=15.0, hidden_m=10.0).lines()
    assert "6 times as clear" in price
    assert "only at 60 m" in price


@pytest.mark.parametrize(("hidden_m", "told"), [(10.0, False), (60.0, True)])
def test_water_clearer_than_any_sea_is_said_to_be(hidden_m: float, *, told: bool) -> None:
    """Pure sea water hides a black object at 296 m at most (3.912/c): 60 m may be, 360 m cannot."""
    *_, price = report(subject_m=90.0, seen_m=15.0, hidden_m=hidden_m).lines()
    assert ("No sea is as clear" in price) is told


def test_the_size_of_a_subject_counts_only_where_water_spreads_light(build: Builders) -> None:
    """Without forward scatter a large thing fades as a small one does; with it, it is seen farther."""
    path = build.path(build.bands("1C"))
    small, large = (
        StorySection(subject_range=25.0, silhouette_contrast=0.2, subject_size=size) for size in (0.1, 8.0)
    )
    assert solved_story(path, small, scattered=False) == solved_story(path, large, scattered=False)
    spread = [solved_story(path, story).physical_contrast for story in (small, large)]
    assert spread[0] is not None
    assert spread[1] is not None
    assert spread[1] > 1.2 * spread[0]
