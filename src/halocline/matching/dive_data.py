"""A water from a dive log: Secchi depth, visibility, beam attenuation, chlorophyll, turbidity.

One number fixes how strong a water is, not what kind. Where two that weigh absorption and scattering
differently are given, the type follows too; where constituents are given, they make the water.
"""

from __future__ import annotations

import math

import tomlkit

from halocline.errors import PhysicsError
from halocline.late_dataclass import dataclass
from halocline.operators.registry import core, exposing
from halocline.physics.water.bio_optics import bio_optical_water, ocean_cdom
from halocline.physics.water.water import (
    JERLOV_TYPES,
    KOSCHMIEDER,
    Water,
    jerlov_water,
    pure_water,
    scaled_to_attenuation,
    scaled_to_secchi,
)

# Suspended mineral for one unit of turbidity, g/m3 per NTU or FNU. Common practice, no source: waters differ
# by a factor of three either way.
GRAMS_PER_TURBIDITY = 1.0


@dataclass(frozen=True)
class DiveData:
    """What was written down; leave out what was not.

    Attributes
    ----------
    secchi_m
        Depth at which a Secchi disc vanishes, metres.
    visibility_m
        Level range at which a dark object vanishes, metres.
    attenuation_550_per_m
        Beam attenuation at 550 nm (or by a green transmissometer), 1/m.
    chlorophyll_mg_m3
        Chlorophyll a.
    turbidity
        In NTU or FNU.
    """

    secchi_m: float | None = None
    visibility_m: float | None = None
    attenuation_550_per_m: float | None = None
    chlorophyll_mg_m3: float | None = None
    turbidity: float | None = None


@dataclass(frozen=True)
class DiveMatch:
    """The water that follows, the preset's ``[water]`` for it, and remarks."""

    water: Water
    kind: str
    scale: tuple[str, float] | None
    constituents: tuple[float, float, float] | None
    remarks: tuple[str, ...]

    def preset_text(self, title: str = "Water from dive data") -> str:
        """Return a preset with this water."""
        document = tomlkit.document()
        document.add("format", tomlkit.item(1))
        document.add("title", tomlkit.item(title))
        document.add("notes", tomlkit.string("\n".join(self.remarks) + "\n", multiline=True))
        water = tomlkit.table()
        if self.constituents is None:
            water.add("jerlov_type", tomlkit.item(self.kind))
        if self.scale is not None:
            water.add(self.scale[0], tomlkit.item(float(f"{self.scale[1]:.4g}")))
        if self.constituents is not None:
            constituents = tomlkit.table()
            names = ("chlorophyll", "dissolved_organic", "mineral")
            for name, value in zip(names, self.constituents, strict=True):
                constituents.add(name, tomlkit.item(float(f"{value:.4g}")))
            water.add("constituents", constituents)
        document.add("water", water)
        steps = tomlkit.table(is_super_table=True)
        for name in (*core(), exposing()):
            steps.add(name, tomlkit.table())
        document.add("steps", steps)
        return tomlkit.dumps(document)


def water_from(data: DiveData) -> DiveMatch:
    """Return the water of dive data.

    Parameters
    ----------
    data
        What a dive or an instrument has told.

    Returns
    -------
    DiveMatch
        The water, and what in the data stands against it.

    Raises
    ------
    PhysicsError
        ``E-MATCH-DIVE`` where nothing is given, or visibility and attenuation contradict each other.
    """
    attenuation = _attenuation(data)
    if data.chlorophyll_mg_m3 is not None or data.turbidity is not None:
        return _from_constituents(data, attenuation)
    if attenuation is not None:
        kind = _type_of(attenuation, data.secchi_m)
        water = scaled_to_attenuation(jerlov_water(kind), attenuation)
        return DiveMatch(water, kind, ("attenuation_550", attenuation), None, _remarks(data, water, kind))
    if data.secchi_m is not None:
        secchi = data.secchi_m
        kind = min(JERLOV_TYPES, key=lambda name: abs(math.log(jerlov_water(name).secchi_depth_m / secchi)))
        water = scaled_to_secchi(jerlov_water(kind), secchi)
        return DiveMatch(water, kind, ("secchi_depth", secchi), None, _remarks(data, water, kind))
    raise PhysicsError(
        "no dive data are given",
        code="E-MATCH-DIVE",
        fix="Give a Secchi depth (--secchi 6), a visibility (--visibility 10), an attenuation "
        "(--attenuation 0.4), chlorophyll (--chlorophyll 2) or turbidity (--turbidity 1.5); or pictures with "
        "--sample.",
    )


def _attenuation(data: DiveData) -> float | None:
    """Return the beam attenuation at 550 nm that follows from visibility or was measured."""
    seen = None if data.visibility_m is None else KOSCHMIEDER / data.visibility_m
    if data.attenuation_550_per_m is None:
        return seen
    if seen is not None and not 0.5 < seen / data.attenuation_550_per_m < 2.0:
        raise PhysicsError(
            f"a visibility of {data.visibility_m:.3g} m means an attenuation near {seen:.3g} 1/m, not "
            f"{data.attenuation_550_per_m:.3g}",
            code="E-MATCH-DIVE",
            fix="Leave out --visibility or --attenuation.",
        )
    return data.attenuation_550_per_m


def _type_of(attenuation: float, secchi_m: float | None) -> str:
    """Return the type nearest in strength; with a Secchi depth, the one that agrees with both numbers."""
    if secchi_m is None:
        return min(JERLOV_TYPES, key=lambda name: abs(math.log(_c550(jerlov_water(name)) / attenuation)))

    def disagreement(name: str) -> float:
        own = jerlov_water(name)
        scaled = scaled_to_attenuation(own, max(attenuation, 1.02 * _clearest_of(own)))
        # A type far from its own strength is the less likely one.
        return abs(math.log(scaled.secchi_depth_m / secchi_m)) + 0.5 * abs(math.log(_c550(own) / attenuation))

    return min(JERLOV_TYPES, key=disagreement)


def _from_constituents(data: DiveData, attenuation: float | None) -> DiveMatch:
    chlorophyll = 0.3 if data.chlorophyll_mg_m3 is None else data.chlorophyll_mg_m3
    dissolved = ocean_cdom(chlorophyll)
    mineral = GRAMS_PER_TURBIDITY * (data.turbidity or 0.0)
    water = bio_optical_water(chlorophyll, dissolved, mineral)
    scale: tuple[str, float] | None = None
    if attenuation is not None:
        scale, water = ("attenuation_550", attenuation), scaled_to_attenuation(water, attenuation)
    elif data.secchi_m is not None:
        scale, water = ("secchi_depth", data.secchi_m), scaled_to_secchi(water, data.secchi_m)
    remarks = _remarks(data, water, "constituents")
    return DiveMatch(water, "constituents", scale, (chlorophyll, dissolved, mineral), remarks)


def _remarks(data: DiveData, water: Water, kind: str) -> tuple[str, ...]:
    made = "made of its constituents" if kind == "constituents" else f"Jerlov {kind}"
    told = [
        f"{water.name} ({made}): a black object vanishes at {water.visibility_m:.3g} m, "
        f"a Secchi disc at {water.secchi_depth_m:.3g} m."
    ]
    if data.secchi_m is not None and abs(math.log(water.secchi_depth_m / data.secchi_m)) > 0.1:
        told.append(
            f"The Secchi depth stated, {data.secchi_m:.3g} m, does not follow from the other numbers; "
            f"they give {water.secchi_depth_m:.3g} m."
        )
    if data.turbidity is not None:
        told.append(
            "Turbidity was taken as 1 g/m3 of mineral for each unit: common practice, good to a factor of 3."
        )
    told.append(
        "These numbers say how strong the water is; its colour is that of the type or constituents assumed."
    )
    return tuple(told)


def _c550(water: Water) -> float:
    return KOSCHMIEDER / water.visibility_m


def _clearest_of(water: Water) -> float:
    return min(_c550(pure_water()), _c550(water))
