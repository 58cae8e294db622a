"""What a shot states of the sea over it; all steps that need waves share it."""

from __future__ import annotations

from typing import Annotated, ClassVar

from pydantic import Field

from halocline.quantities import Angle, Distance, Factor, Length, Period, Ratio, Strict


class SwellSection(Strict):
    """A swell.

    Attributes
    ----------
    height
        Significant height, metres.
    period
        Period, seconds.
    direction
        Where it travels to, degrees clockwise from the scene's ``-z`` (``+y`` where z is up).
    spread
        How narrow its directions are: 10 for waves close to their wind, 25 for a young swell, 75 for one
        from far away (goda2010).
    width
        Relative width of its range of frequencies.
    """

    MOVING: ClassVar[frozenset[str]] = frozenset()

    height: Length = 0.3
    period: Period = 5.0
    direction: Angle = 0.0
    spread: Factor = 50.0
    width: Factor = 0.06


class Sea(Strict):
    """The surface of the sea.

    Its waves gather the sun's light into caustics and shafts and break up the view through it. The steps
    ``caustics``, ``light_shafts`` and ``sky_window`` share it, and ``suspended_matter`` if asked to. Only
    ``softness`` and ``colour`` can change over frames: with any other the waves would jump.

    Attributes
    ----------
    wind
        Wind speed at 10 m, metres per second.
    wind_direction
        Where the wind blows to, degrees clockwise from the scene's ``-z`` (``+y`` where z is up).
    fetch
        Metres of open water that the wind has blown over; with enough of them the sea is fully grown.
    sea_depth
        Depth of the sea, metres, where it is shallow enough to shorten long waves.
    spread
        How narrow the directions of the wind's waves are at their peak; 10 is usual (goda2010).
    smooth_below
        Waves shorter than this, metres, are damped out, as under a natural film or in the lee of a reef. Calm
        water with clear, large caustics; 0 keeps all.
    swells
        Swells, one table ``[[sea.swells]]`` each.
    loop
        Seconds after which the surface repeats exactly; never where not given.
    speed
        Art: how fast it moves, a ratio; 1 is physical.
    scale
        Art: size of the pattern of light, a ratio; 1 is physical.
    softness
        Art: width of all that softens the pattern, a ratio; 1 is physical, 0 as sharp as can be held.
    colour
        Art: strength of the colour fringes, a ratio; 1 is physical, 0 none.
    patch
        Metres of sea that are computed with all detail, and laid out to cover the rest.
    detail
        Rays along the side of that patch: 256, 512, 1024 or 2048. Twice as many cost four times as much.
    """

    MOVING: ClassVar[frozenset[str]] = frozenset({"softness", "colour"})

    wind: Annotated[Ratio, Field(le=40.0)] = 3.0
    wind_direction: Angle = 60.0
    fetch: Distance = 1500.0
    sea_depth: Distance | None = None
    spread: Factor = 10.0
    smooth_below: Length = 0.35
    swells: tuple[SwellSection, ...] = ()
    loop: Period | None = None
    speed: Ratio = 1.0
    scale: Factor = 1.0
    softness: Ratio = 1.0
    colour: Ratio = 1.0
    patch: Annotated[Distance, Field(ge=2.0, le=100.0)] = 12.0
    detail: Annotated[int, Field(ge=256, le=2048, multiple_of=256)] = 1024
