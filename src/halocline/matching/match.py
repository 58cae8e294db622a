"""The match as a whole: water, daylight and veil, how sure each is, and the preset that follows."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Literal

import numpy as np
import tomlkit

from halocline._typing import F64
from halocline.compute.threads import one_library_thread
from halocline.late_dataclass import dataclass
from halocline.matching.daylight import SunAndSky, fit_daylight
from halocline.matching.fit import Candidate, fit_constituents, fit_jerlov
from halocline.matching.model import Setting
from halocline.matching.samples import Sample
from halocline.operators.registry import core, exposing
from halocline.rgb import LINEAR_REC709, conversion_matrix

Kind = Literal["jerlov", "constituents"]
# Types less probable than this are not named as possible.
POSSIBLE = 0.05


@dataclass(frozen=True)
class Match:
    """What the samples say.

    Attributes
    ----------
    samples, setting
        What it was made from.
    candidates
        Jerlov types at their best strength, the likeliest first.
    constituents
        The water of free constituents.
    daylight
        Sun and overcast, where open water told of them.
    chosen
        The candidate the preset is written for.
    """

    samples: tuple[Sample, ...]
    setting: Setting
    candidates: tuple[Candidate, ...]
    constituents: Candidate
    daylight: SunAndSky | None
    chosen: Candidate

    @property
    def possible(self) -> tuple[Candidate, ...]:
        """Types that the samples do not rule out."""
        return tuple(one for one in self.candidates if one.probability >= POSSIBLE)

    @property
    def veil_over_subject(self) -> F64 | None:
        """Veil relative to what the water's own light would make, per channel ``(3,)``; 1 is physical.

        Nothing where no subject's colour is known. Both sides carry the camera's white balance, so it falls
        out.
        """
        if np.isnan(self.chosen.gain).any() or np.min(self.chosen.gain) <= 0:
            return None
        ratio: F64 = self.chosen.tint / self.chosen.gain
        return ratio if np.min(ratio) > 0 else None


@one_library_thread()
def match(samples: Sequence[Sample], setting: Setting, *, kind: Kind = "jerlov") -> Match:
    """Find the water in which samples were taken.

    Parameters
    ----------
    samples
        What is known; see `halocline.matching.samples`.
    setting
        How they were taken.
    kind
        Write the preset for the nearest Jerlov type, or for a water of free constituents.

    Returns
    -------
    Match
        The water that is written, all candidates, and how sure each is.

    Raises
    ------
    PhysicsError
        ``E-MATCH-SAMPLES`` where they cannot tell one water from another.
    """
    first = fit_jerlov(samples, setting)
    daylight = fit_daylight(first[0].water, samples, setting, first[0].unscattered)
    if daylight is not None:
        # The sun's place changes how the veil grows with range, so the water is found again under it.
        first = fit_jerlov(samples, daylight.setting, first)
    known = setting if daylight is None else daylight.setting
    constituents = fit_constituents(samples, known)
    chosen = first[0] if kind == "jerlov" else constituents
    return Match(tuple(samples), known, tuple(first), constituents, daylight, chosen)


def report_lines(found: Match) -> list[str]:
    """Return the match as sentences.

    Parameters
    ----------
    found
        From `match`.

    Returns
    -------
    list[str]
        Sentences for people.
    """
    best = found.candidates[0]
    factor = best.spread
    lines = [
        f"{len(found.samples)} samples.",
        f"Nearest Jerlov type: {best.kind} (probability {best.probability:.0%}), beam attenuation at 550 nm "
        f"{best.attenuation_550:.3g} 1/m ({best.attenuation_550 / factor:.3g} to "
        f"{best.attenuation_550 * factor:.3g}): a black object vanishes at {best.water.visibility_m:.3g} m.",
        _constituents_line(found.constituents),
        f"Left over: {_left_over(found.chosen):.1%} of the brightest sample (root mean square).",
    ]
    veil = found.veil_over_subject
    if veil is not None:
        told = ", ".join(f"{part:.2f}" for part in veil)
        lines.append(f"Veil relative to this water's own, red, green, blue: {told} (1 is physical).")
    if found.daylight is not None:
        sun = found.daylight.setting
        lines.append(
            f"Brighter side: sun at azimuth {sun.sun_azimuth_deg:.0f} deg "
            f"(within {2 * found.daylight.spread_deg:.0f}){_elevation_told(found.daylight)}."
        )
    return [*lines, *(f"Cannot be told: {text}" for text in _untold(found))]


def _elevation_told(daylight: SunAndSky) -> str:
    if not daylight.tells_elevation:
        return ""
    (low, high), sun = daylight.elevations_deg, daylight.setting
    overcast = f"overcast about {sun.overcast:.2f} at {sun.sun_elevation_deg:.0f}"
    return f", elevation {low:.0f} to {high:.0f} deg, {overcast}"


def preset_text(found: Match, title: str = "Matched water") -> str:
    """Return a preset of the match, every number with its unit and where it comes from.

    Parameters
    ----------
    found
        From `match`.
    title
        The preset's title.

    Returns
    -------
    str
        TOML that `halocline.load_preset` takes.
    """
    document = tomlkit.document()
    document.add("format", tomlkit.item(1))
    document.add("title", tomlkit.item(title))
    document.add("notes", tomlkit.string("\n".join(report_lines(found)) + "\n", multiline=True))
    document.add("water", _water_table(found.chosen))
    document.add("light", _light_table(found))
    place = tomlkit.table()
    place.add("camera_depth", _noted(found.setting.depth_m, "metres, as stated for the match"))
    document.add("place", place)
    document.add("steps", _steps())
    return tomlkit.dumps(document)


def _water_table(chosen: Candidate) -> tomlkit.items.Table:
    water = tomlkit.table()
    if chosen.constituents is None:
        water.add("jerlov_type", _noted(chosen.kind, f"likeliest, probability {chosen.probability:.0%}"))
        low, high = chosen.attenuation_550 / chosen.spread, chosen.attenuation_550 * chosen.spread
        water.add(
            "attenuation_550",
            _noted(_digits(chosen.attenuation_550), f"1/m, matched; {low:.3g} to {high:.3g}"),
        )
        return water
    constituents = tomlkit.table()
    units = ("mg/m3", "1/m at 440 nm", "g/m3")
    names = ("chlorophyll", "dissolved_organic", "mineral")
    for name, value, unit in zip(names, chosen.constituents, units, strict=True):
        constituents.add(name, _noted(_digits(value), f"{unit}, matched"))
    water.add("constituents", constituents)
    return water


def _light_table(found: Match) -> tomlkit.items.Table:
    light = tomlkit.table()
    source = "assumed" if found.daylight is None else "matched from open water"
    sun = found.setting
    light.add("sun_elevation", _noted(_digits(sun.sun_elevation_deg), f"degrees, {_elevation_source(found)}"))
    light.add("sun_azimuth", _noted(_digits(sun.sun_azimuth_deg), f"degrees, {source}"))
    told = found.daylight is None or found.daylight.tells_elevation
    light.add("overcast", _noted(_digits(sun.overcast), source if told else f"{source}, for that elevation"))
    veil = found.veil_over_subject
    if veil is not None:
        veil = conversion_matrix(found.setting.space, LINEAR_REC709) @ veil
        bright = float(LINEAR_REC709.luminance_row @ veil)
        light.add("veil_brightness", _noted(_digits(bright), "ratio to the physical veil, matched"))
        tint = [_digits(float(part) / bright) for part in veil]
        light.add("veil_tint", _noted(tint, "per channel, matched; 1, 1, 1 is physical"))
    return light


def _elevation_source(found: Match) -> str:
    if found.daylight is None:
        return "assumed"
    low, high = found.daylight.elevations_deg
    told = f"{low:.0f} to {high:.0f} explain the open water about as well"
    return f"matched; {told}" if found.daylight.tells_elevation else f"assumed: {told}"


def _steps() -> tomlkit.items.Table:
    steps = tomlkit.table(is_super_table=True)
    for name in core():
        steps.add(name, tomlkit.table())
    card = tomlkit.table()
    card.add("card_range", _noted("1 m", "the card that keeps its value; a choice"))
    steps.add(exposing(), card)
    return steps


def _noted(value: object, note: str) -> tomlkit.items.Item:
    item = tomlkit.item(value)
    item.comment(note)
    return item


def _digits(value: float) -> float:
    return float(f"{value:.4g}")


def _constituents_line(constituents: Candidate) -> str:
    assert constituents.constituents is not None  # it is made of constituents
    chlorophyll, dissolved, mineral = constituents.constituents
    return (
        f"As constituents: chlorophyll {chlorophyll:.2g} mg/m3, dissolved matter {dissolved:.2g} 1/m at 440 "
        f"nm, mineral {mineral:.2g} g/m3; beam attenuation at 550 nm {constituents.attenuation_550:.3g} 1/m."
    )


def _left_over(chosen: Candidate) -> float:
    brightest = max(float(np.max(chosen.predicted)), 1e-9)
    return math.sqrt(float(np.mean(chosen.residual**2))) / brightest


def _untold(found: Match) -> list[str]:
    told = [
        "a camera's white balance from the colour of the light, or exposure from a card's true reflectance."
    ]
    others = [one for one in found.possible if one is not found.candidates[0]]
    if others:
        names = ", ".join(
            f"{one.kind} at {one.attenuation_550:.3g} 1/m ({one.probability:.0%})" for one in others
        )
        told.insert(0, f"the type: these fit nearly as well: {names}. At the ranges sampled they look alike.")
    if not any(sample.open_water for sample in found.samples):
        told.append("how bright the veil is in other directions: no sample shows open water.")
    elif found.daylight is None:
        told.append("where the sun is: open water was seen in too few directions, or the lens is not known.")
    elif not found.daylight.tells_elevation:
        low, high = found.daylight.elevations_deg
        told.append(
            f"how high the sun stands, and how overcast it is: from {low:.0f} to {high:.0f} deg the open "
            f"water is explained about as well; {found.setting.sun_elevation_deg:.0f} deg is assumed. State "
            "it: --sun-elevation."
        )
    if found.veil_over_subject is None:
        told.append("the veil's brightness beside the subject's: no sample's true colour is known.")
    told.append("a mistake of scale in the ranges from a stronger or weaker water: only their product shows.")
    return told
