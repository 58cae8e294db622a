"""Flashes on synthesised sequences just below and above every threshold of the published rules.

Sources (see BIBLIOGRAPHY.bib), the figures READ on secondary pages that quote them:

- itu_bt1702: general flash, a pair of opposing changes of 20 cd/m2 or more, darker state below 160 cd/m2;
  harmful over more than 25 % of the screen and more than 3 flashes in any second.
- wcag2, 2.3.1: changes of 10 % or more of the largest relative luminance, darker state below 0.80; more than
  3 in any second over more than 25 % of any field of 10 degrees. Relative luminance of linear sRGB.
- harding2002 as the W3C quotes it: red flash, either state R / (R+G+B) >= 0.8 and a change of
  (R - G - B) x 320 above 20.

The display is the one that the rule is usually reckoned for: white 200 cd/m2, gamma 2.4. For it a change of
20 cd/m2 from black is code 0.383 and 160 cd/m2 is code 0.911 (computed: (20/200)^(1/2.4), (160/200)^(1/2.4)).
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

import numpy as np
import pytest

from halocline._typing import F32
from halocline.review.flash import Display, FlashCheck, RuleResult

FPS = 60.0
SHAPE = (54, 96)
GENERAL, RELATIVE, RED = 0, 1, 2


def code_of(luminance_cd: float) -> float:
    """Code value that a 200 cd/m2, gamma 2.4 display shows as a luminance."""
    return float((luminance_cd / 200.0) ** (1 / 2.4))


def srgb_code(linear: float) -> float:
    """Code value of linear light, IEC 61966-2-1."""
    return 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055


def grey(code: float) -> tuple[float, float, float]:
    return (code, code, code)


def square_wave(hertz: float, seconds: float) -> list[bool]:
    """Whether each frame is bright; an integer number of frames in each half period."""
    half = round(FPS / (2 * hertz))
    return [(frame // half) % 2 == 1 for frame in range(round(seconds * FPS))]


def played(
    states: Sequence[bool],
    dark: tuple[float, float, float],
    bright: tuple[float, float, float],
    *,
    where: Callable[[F32], None] | None = None,
    area: float = 1.0,
) -> tuple[RuleResult, ...]:
    """Play a sequence of two states over a share of the picture's columns, the rest dark and still."""
    check = FlashCheck(FPS, Display(200.0, 2.4))
    columns = round(area * SHAPE[1])
    for frame, is_bright in enumerate(states):
        codes = np.empty((*SHAPE, 3), np.float32)
        codes[...] = dark
        if is_bright:
            codes[:, :columns] = bright
        check.add(frame, codes)
    return check.results()


def test_the_code_values_quoted_for_the_display_hold() -> None:
    assert code_of(20.0) == pytest.approx(0.383, abs=5e-4)
    assert code_of(160.0) == pytest.approx(0.911, abs=5e-4)


def test_a_full_field_at_10_hertz_between_0_and_100_cd_fails() -> None:
    results = played(square_wave(10.0, 2.0), grey(0.0), grey(code_of(100.0)))
    assert not results[GENERAL].passes
    assert results[GENERAL].most_flashes == 10
    assert results[GENERAL].area_share == 1.0


@pytest.mark.parametrize(("step_cd", "safe"), [(19.0, True), (19.9, True), (20.0, False), (21.0, False)])
def test_only_steps_of_20_cd_and_more_are_flashes(step_cd: float, *, safe: bool) -> None:
    results = played(square_wave(10.0, 2.0), grey(code_of(30.0)), grey(code_of(30.0 + step_cd)))
    assert results[GENERAL].passes is safe


@pytest.mark.parametrize(("dark_cd", "safe"), [(158.0, False), (162.0, True), (170.0, True)])
def test_only_a_darker_state_below_160_cd_counts(dark_cd: float, *, safe: bool) -> None:
    results = played(square_wave(10.0, 2.0), grey(code_of(dark_cd)), grey(code_of(dark_cd + 30.0)))
    assert results[GENERAL].passes is safe


@pytest.mark.parametrize(("area", "safe"), [(0.24, True), (0.25, True), (0.27, False)])
def test_only_more_than_a_quarter_of_the_screen_counts(area: float, *, safe: bool) -> None:
    results = played(square_wave(10.0, 2.0), grey(0.0), grey(code_of(100.0)), area=area)
    assert results[GENERAL].passes is safe


@pytest.mark.parametrize(("flashes", "safe"), [(1, True), (3, True), (4, False)])
def test_three_flashes_in_a_second_are_allowed_and_four_are_not(flashes: int, *, safe: bool) -> None:
    period = [False, False, False, False, True, True, True, True]
    still = [False] * 60
    results = played([*still, *(period * flashes), *still], grey(0.0), grey(code_of(100.0)))
    assert results[GENERAL].most_flashes == flashes
    assert results[GENERAL].passes is safe
    assert results[RELATIVE].passes is safe


def test_three_flashes_every_second_for_long_are_allowed_and_told() -> None:
    allowed = played(square_wave(3.0, 6.0), grey(0.0), grey(code_of(100.0)))[GENERAL]
    assert allowed.passes
    assert allowed.held
    assert not played(square_wave(3.75, 6.0), grey(0.0), grey(code_of(100.0)))[GENERAL].passes


@pytest.mark.parametrize("hertz", [2.0, 3.0])
@pytest.mark.parametrize(("seconds", "held"), [(3.5, False), (4.5, True), (6.0, True)])
def test_two_to_three_flashes_a_second_are_told_where_they_go_on_for_more_than_4_of_5_seconds(
    hertz: float, seconds: float, *, held: bool
) -> None:
    """Common practice of checkers, no source: such flashing keeps the rule and is cautioned against."""
    still = [False] * 75
    states = [*still, *square_wave(hertz, seconds), *still]
    for result in played(states, grey(0.0), grey(code_of(100.0)))[:2]:
        assert result.passes
        assert result.held is held
        assert result.held_s == pytest.approx(min(seconds, 5.0), abs=0.4)


def test_flashes_below_two_a_second_and_single_ones_are_not_told_as_held() -> None:
    assert played(square_wave(1.5, 9.0), grey(0.0), grey(code_of(100.0)))[GENERAL].held_s == 0.0
    burst = [*square_wave(3.0, 2.0), *[False] * 240]
    for result in played([*burst, *burst], grey(0.0), grey(code_of(100.0)))[:2]:
        assert result.held_s == pytest.approx(2.0, abs=0.4)


@pytest.mark.parametrize(
    ("fps", "hertz", "cell"), [(24.0, 1.5, 6), (24.0, 2.5, 2), (60.0, 2.0, 2), (60.0, 2.5, 6)]
)
def test_cells_of_random_phase_flash_no_oftener_than_each_of_them_does(
    fps: float, hertz: float, cell: int
) -> None:
    """As caustics look: no pixel makes more than its own flashes, and no rule adds up different places."""
    phase = np.random.default_rng(3).random((-(-SHAPE[0] // cell), -(-SHAPE[1] // cell)))
    check = FlashCheck(fps)
    for frame in range(int(4 * fps)):
        cells = ((frame / fps * hertz + phase) % 1.0 < 0.5) * 0.8
        grown = np.kron(cells, np.ones((cell, cell)))[: SHAPE[0], : SHAPE[1]]
        check.add(frame, np.repeat(grown[..., None], 3, axis=2).astype(np.float32))
    for result in check.results():
        assert result.most_flashes <= hertz + 0.5
        assert result.passes


def test_uneven_flashes_over_the_same_place_still_add_up() -> None:
    """Each row crosses its step up to a twelfth of a second after the first: still 4 flashes a second."""
    check = FlashCheck(FPS, Display(200.0, 2.4))
    late = np.linspace(0.0, 4.0, SHAPE[0]).round()[:, None]
    for frame in range(120):
        bright = ((frame - late) % 15 >= 8) * np.ones(SHAPE)
        check.add(frame, (bright[..., None] * np.ones(3)).astype(np.float32))
    assert check.results()[GENERAL].most_flashes == 4
    assert not check.results()[GENERAL].passes


def test_a_ramp_over_many_frames_counts_by_its_sum() -> None:
    """Six frames up and six down: no step of one frame reaches 20 cd/m2, the swing is 60."""
    check = FlashCheck(FPS, Display(200.0, 2.4))
    for frame in range(120):
        position = frame % 12
        share = position / 6 if position <= 6 else 2 - position / 6
        codes = np.full((*SHAPE, 3), code_of(10.0 + 60.0 * share), np.float32)
        check.add(frame, codes)
    assert check.results()[GENERAL].most_flashes == 5
    assert not check.results()[GENERAL].passes


def test_a_slow_swell_is_no_flash_however_large() -> None:
    check = FlashCheck(FPS, Display(200.0, 2.4))
    for frame in range(240):
        codes = np.full((*SHAPE, 3), code_of(100.0 - 90.0 * np.cos(2 * np.pi * frame / 60.0)), np.float32)
        check.add(frame, codes)
    assert check.results()[GENERAL].most_flashes <= 1.5
    assert check.results()[GENERAL].passes


def test_areas_that_go_opposite_ways_do_not_add_up() -> None:
    """Two fifths of the screen flash, but one half of it goes up while the other goes down."""
    check = FlashCheck(FPS, Display(200.0, 2.4))
    for frame, is_bright in enumerate(square_wave(10.0, 2.0)):
        codes = np.zeros((*SHAPE, 3), np.float32)
        band = slice(0, 11) if is_bright else slice(11, 22)
        codes[:, band] = code_of(100.0)
        check.add(frame, codes)
    assert check.results()[GENERAL].area_share < 0.25
    assert check.results()[GENERAL].passes


@pytest.mark.parametrize(("step", "safe"), [(0.095, True), (0.1, False), (0.105, False)])
def test_the_relative_rule_counts_steps_of_a_tenth_of_white(step: float, *, safe: bool) -> None:
    results = played(square_wave(10.0, 2.0), grey(srgb_code(0.3)), grey(srgb_code(0.3 + step)))
    assert results[RELATIVE].passes is safe


@pytest.mark.parametrize(("dark", "safe"), [(0.78, False), (0.82, True)])
def test_the_relative_rule_counts_a_darker_state_below_eight_tenths(dark: float, *, safe: bool) -> None:
    results = played(square_wave(10.0, 2.0), grey(srgb_code(dark)), grey(srgb_code(dark + 0.15)))
    assert results[RELATIVE].passes is safe


@pytest.mark.parametrize(("side", "safe"), [(8, True), (13, False)])
def test_the_relative_rule_looks_at_every_field_of_10_degrees(side: int, *, safe: bool) -> None:
    """A small square: far below a quarter of the screen, but a quarter of one field of it (18 x 32)."""
    check = FlashCheck(FPS, Display(200.0, 2.4))
    for frame, is_bright in enumerate(square_wave(10.0, 2.0)):
        codes = np.zeros((*SHAPE, 3), np.float32)
        codes[20 : 20 + side, 40 : 40 + side] = 0.9 if is_bright else 0.0
        check.add(frame, codes)
    results = check.results()
    assert results[GENERAL].passes
    assert results[RELATIVE].passes is safe


@pytest.mark.parametrize(("red", "safe"), [(19.0, True), (21.0, False)])
def test_a_red_flash_is_a_change_of_more_than_20_of_the_red_measure(red: float, *, safe: bool) -> None:
    """(R - G - B) x 320 swings between 0 and the given value; all of it saturated."""
    bright = (srgb_code(red / 320.0), 0.0, 0.0)
    results = played(square_wave(10.0, 2.0), grey(0.0), bright)
    assert results[RED].passes is safe
    assert results[GENERAL].passes, "the luminance of such a red stays below both general rules"


@pytest.mark.parametrize(("share", "safe"), [(0.82, False), (0.78, True)])
def test_a_red_flash_needs_a_saturated_red_before_or_after(share: float, *, safe: bool) -> None:
    red = 0.5
    rest = red * (1 - share) / share / 2
    results = played(square_wave(10.0, 2.0), grey(0.0), (srgb_code(red), srgb_code(rest), srgb_code(rest)))
    assert results[RED].passes is safe


def test_frame_rates_below_and_above_count_the_same_flashes() -> None:
    for fps, half in ((24.0, 2), (60.0, 5), (120.0, 10)):
        check = FlashCheck(fps)
        for frame in range(round(3 * fps)):
            code = 0.8 if (frame // half) % 2 else 0.0
            check.add(frame, np.full((*SHAPE, 3), code, np.float32))
        assert check.results()[GENERAL].most_flashes == 6
