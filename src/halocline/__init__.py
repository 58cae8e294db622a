"""Halocline makes clean CG renders look as if they were photographed under water.

`apply` puts arrays under water and gives a `WetFrame`; `load_preset` and `preset_from_text` give a `Preset`;
`pinhole`, `Camera` and `CameraTrack` say where the lens is; all errors are a `HaloclineError`.

Three lines put a frame under water, arrays in and arrays out::

    import halocline
    preset = halocline.load_preset("jerlov-1c")
    wet = halocline.apply(preset, rgb, range_m, alpha)
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

from halocline._version import __version__

if TYPE_CHECKING:
    from halocline.batch.arrays import WetFrame, apply
    from halocline.errors import HaloclineError
    from halocline.imaging.camera import Camera, pinhole
    from halocline.imaging.camera_track import CameraTrack
    from halocline.presets.preset import Preset, load_preset, preset_from_text

# Imported when asked for: a command that only prints help should not wait for the whole house.
_PLACES = {
    "Camera": "halocline.imaging.camera",
    "CameraTrack": "halocline.imaging.camera_track",
    "HaloclineError": "halocline.errors",
    "Preset": "halocline.presets.preset",
    "WetFrame": "halocline.batch.arrays",
    "apply": "halocline.batch.arrays",
    "load_preset": "halocline.presets.preset",
    "pinhole": "halocline.imaging.camera",
    "preset_from_text": "halocline.presets.preset",
}

__all__ = [
    "Camera",
    "CameraTrack",
    "HaloclineError",
    "Preset",
    "WetFrame",
    "__version__",
    "apply",
    "load_preset",
    "pinhole",
    "preset_from_text",
]


def __dir__() -> list[str]:
    return [*__all__]


def __getattr__(name: str) -> Any:
    if name in _PLACES:
        return getattr(import_module(_PLACES[name]), name)
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
