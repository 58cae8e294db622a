"""The bands of a water: from the package where they ship, from the cache on disk, else fitted.

The waters that ship have their bands ready in the package (``data/bands.json``), so that every machine uses
the same bits and no one waits; other waters are fitted in about a second, and kept on disk
(`halocline.compute.disk_cache`) for the next run.
"""

from __future__ import annotations

import hashlib
import json
import math
from dataclasses import replace
from functools import lru_cache
from importlib import resources
from typing import Any

from halocline.compute.disk_cache import kept, package_mark
from halocline.compute.sources import source_digest
from halocline.errors import BandError
from halocline.physics.water.bands import Bands, as_space
from halocline.physics.water.water import Water
from halocline.rgb import LINEAR_REC709, RGBSpace

DEFAULT_COUNT = 6
FEWEST_BANDS = 4
MOST_BANDS = 12
# Raised when the method changes, so that no old result is taken for a new one.
FIT_VERSION = 4


def fit_bands(
    water: Water,
    space: RGBSpace | str = LINEAR_REC709,
    *,
    count: int = DEFAULT_COUNT,
    range_m: float = 100.0,
    depth_m: float = 40.0,
) -> Bands:
    """Return the bands of a water: from the package where they ship, else by a fit (about a second).

    Parameters
    ----------
    water
        The water.
    space
        The RGB space of the render, or its name.
    count
        Number of bands K, 4 to 12. Six keep within CIEDE2000 0.2 for every Jerlov type.
    range_m, depth_m
        Longest range and greatest water depth that matter, m.

    Returns
    -------
    Bands
        The bands, with how well they follow the spectra.

    Raises
    ------
    BandError
        ``E-BANDS-COUNT`` or ``E-BANDS-RANGE`` where they cannot be made so.
    """
    _check_request(count, range_m, depth_m)
    target = as_space(space)
    key = fit_key(water, count=count, range_m=range_m, depth_m=depth_m)
    shipped = _shipped().get(key)
    bands = Bands.from_dict(shipped) if shipped is not None else _fitted(water, key, count, range_m, depth_m)
    return replace(bands if target == LINEAR_REC709 else bands.in_space(target), water=water.name)


def fit_key(water: Water, *, count: int, range_m: float, depth_m: float) -> str:
    """Return the digest that names a fit: of the water's spectra, what was asked for, and the method."""
    text = f"{FIT_VERSION} {water.digest} {count} {range_m:.9g} {depth_m:.9g}"
    return hashlib.sha256(text.encode()).hexdigest()[:32]


def _fitted(water: Water, key: str, count: int, range_m: float, depth_m: float) -> Bands:
    found = _FITTED.get(key)
    if found is None:

        def fit() -> bytes:
            # The fit needs SciPy and colour-science, more than a second to import.
            from halocline.physics.water import band_fit  # noqa: PLC0415

            made = band_fit.fit(water, count=count, range_m=range_m, depth_m=depth_m)
            return json.dumps(made.to_dict()).encode()

        text = kept("fits", f"{key} {source_digest(METHOD) or package_mark()}", fit)
        try:
            found = Bands.from_dict(json.loads(text))
        except (ValueError, TypeError, BandError):
            # Whole, and no bands: somebody else's doing. What was fitted here needs no file.
            found = Bands.from_dict(json.loads(fit()))
        if len(_FITTED) >= MOST_FITTED:
            _FITTED.clear()
        _FITTED[key] = found
    return found


# What a fit is made by, with all that it imports: one that was changed is not taken for the one before.
METHOD = "halocline.physics.water.band_fit"
# Fits used by this process; a sequence asks for the same one again and again.
_FITTED: dict[str, Bands] = {}
MOST_FITTED = 64


@lru_cache(maxsize=1)
def _shipped() -> dict[str, Any]:
    text = (
        resources.files("halocline.physics.water").joinpath("data", "bands.json").read_text(encoding="utf-8")
    )
    table: dict[str, Any] = json.loads(text)
    return table


def _check_request(count: int, range_m: float, depth_m: float) -> None:
    if not FEWEST_BANDS <= count <= MOST_BANDS:
        raise BandError(
            f"{count} spectral bands cannot be fitted",
            code="E-BANDS-COUNT",
            fix=f"Ask for {FEWEST_BANDS} to {MOST_BANDS}; {DEFAULT_COUNT} keep within CIEDE2000 0.2.",
        )
    if not (math.isfinite(range_m) and range_m > 0.0 and math.isfinite(depth_m) and depth_m >= 0.0):
        raise BandError(
            f"bands cannot be fitted for a range of {range_m!r} m and a depth of {depth_m!r} m",
            code="E-BANDS-RANGE",
            fix="Give a range above 0 and a depth of 0 or more, both finite, in metres.",
        )
