"""Looking after presets: what a valid preset says in vain, out of order, or against physics.

Mistakes are refused when a preset is read. What is told here is allowed, and probably not meant.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Iterable, Iterator
from dataclasses import replace
from itertools import pairwise

from halocline.errors import HaloclineError
from halocline.graph.operator import Source, Stage
from halocline.graph.origins import origins_named
from halocline.late_dataclass import dataclass
from halocline.operators.registry import users_by_key
from halocline.presets.build import story_report
from halocline.presets.curves import key_frames
from halocline.presets.document import Document
from halocline.presets.floating_samples import uneven_after_floating
from halocline.presets.formats import changes_since
from halocline.presets.lines import KeyOrigin, KeyPath
from halocline.presets.preset import Look, Preset
from halocline.presets.sections import StepHead
from halocline.rgb import LINEAR_REC709

# Daylight at this depth is below a millionth in the clearest sea (Kd 0.02 1/m and more, jerlov1976).
DARK_DEPTH_M = 700.0


# Keys of the sections that no look obeys but by steps which say so (their ``uses``).
OBEYED_BY_STEPS = frozenset(
    {
        "light.lamps",
        "light.reference_depth",
        "light.shadow_softness",
        "light.shadows",
        "light.subject_shaded",
        "light.veil_brightness",
        "light.veil_tint",
        "story.attenuation_scale",
        "story.downwelling_scale",
        "story.softness",
        "story.subject_range",
        "story.veil_scale",
    }
)


@dataclass(frozen=True)
class Remark:
    """Something that is probably not meant.

    Attributes
    ----------
    key
        Path of the key it is about.
    origin
        File and line, or the nearest table.
    text
        What is odd.
    fix
        What to do about it.
    """

    key: KeyPath
    origin: KeyOrigin
    text: str
    fix: str

    @property
    def where(self) -> str:
        """File and line in words."""
        return str(self.origin)

    def __str__(self) -> str:
        return f"{self.where}: {self.text}\n  {self.fix}"


def remarks(preset: Preset) -> list[Remark]:
    """Return all that is odd about a preset, on its first frame and on every key of its curves.

    Parameters
    ----------
    preset
        The look.

    Returns
    -------
    list[Remark]
        Each once, in the order of frames.
    """
    found: dict[Remark, None] = dict.fromkeys(renamed_keys(preset.document))
    for frame in sorted({0, *key_frames(preset.document.tables)}):
        look = preset.at(frame)
        for watch in _WATCHES:
            found.update(dict.fromkeys(watch(preset.document, look)))
    found.update(dict.fromkeys(_of_water(preset)))
    for name, part in preset.parts.items():
        # What it has of the whole picture's look was told there.
        own = (remark for remark in remarks(part) if remark not in found)
        found.update(
            dict.fromkeys(
                replace(remark, key=("parts", name, *remark.key), text=f"part {name}: {remark.text}")
                for remark in own
            )
        )
    return list(found)


def remarks_on_pictures(preset: Preset, frames: Iterable[int]) -> list[Remark]:
    """Return by what pictures are not as a preset says: keys and steps in vain, steps out of order.

    Nothing is solved for it, and operators that the preset does not name are loaded only for a remark's sake.

    Parameters
    ----------
    preset
        The look; of its parts, the order of their steps is told as well.
    frames
        Frames that are looked at.

    Returns
    -------
    list[Remark]
        Each once.
    """
    found: dict[Remark, None] = {}
    for frame in frames:
        look = preset.at(frame)
        for watch in _OF_PICTURES:
            found.update(dict.fromkeys(watch(preset.document, look)))
        for name, part in preset.parts.items():
            for each in _out_of_order(part.document, part.at(frame)):
                if each not in found:
                    found[replace(each, text=f"part {name}: {each.text}")] = None
    return list(found)


def kinds(document: Document, look: Look) -> dict[str, str]:
    """Return the operator's name of each step that is done, in order."""
    tables = document.tables.get("steps", {})
    return {step.name: str(tables[step.name].get("operator", step.name)) for step in look.graph.steps}


def _remark(document: Document, key: KeyPath, text: str, fix: str) -> Remark:
    return Remark(key, document.origin(key), text, fix)


def renamed_keys(document: Document) -> list[Remark]:
    """Return a remark on every key that a preset, or one that it extends, gives by its former name.

    Parameters
    ----------
    document
        The preset and what it extends.

    Returns
    -------
    list[Remark]
        Remarks; none where all words are of today.
    """
    return [
        _remark(
            document, old.path, old.text, "It means the same; halocline preset upgrade FILE writes it so."
        )
        for old in document.old_words
    ]


def _in_vain(document: Document, look: Look) -> Iterator[Remark]:
    obeyed = frozenset().union(*(step.operator.uses for graph in look.graphs for step in graph.steps))
    for key in _set_in_vain(document, obeyed):
        section, _, name = key.partition(".")
        users = users_by_key()[key]
        yield _remark(
            document,
            (section, name),
            f"{key} is set, but no step uses it",
            f"Add [steps.{'] or [steps.'.join(users)}], or take the key out.",
        )
    if not look.light.lamps:
        for step in _needing(look, Source.LAMPS):
            yield _remark(
                document,
                ("steps", step),
                f"the step {step} has no lamps to work with",
                f"Add a table [[light.lamps]], or set steps.{step}.enabled = false.",
            )


def _set_in_vain(document: Document, obeyed: Collection[str]) -> list[str]:
    """Return the keys that are set and that only steps obey which are not there."""
    return [
        key
        for key in sorted(OBEYED_BY_STEPS)
        if key not in obeyed and key.partition(".")[2] in document.tables.get(key.partition(".")[0], {})
    ]


def _needing(look: Look, source: Source) -> list[str]:
    return [step.name for step in look.graph.steps if source in step.operator.needs()]


def _put_aside(document: Document, look: Look) -> Iterator[Remark]:
    done = kinds(document, look)
    for name, table in document.tables.get("steps", {}).items():
        # A step that a preset inherits may be put aside with all its keys.
        own = document.origin(("steps", name, "enabled")).file
        keys = [
            key
            for key in table
            if key not in StepHead.model_fields and document.origin(("steps", name, key)).file == own
        ]
        if name not in done and keys:
            yield _remark(
                document,
                ("steps", name),
                f"the step {name} is not done, so its keys say nothing ({', '.join(keys)})",
                f"Set steps.{name}.enabled = true, or take its keys out.",
            )


def _out_of_order(document: Document, look: Look) -> Iterator[Remark]:
    placed = [step for step in look.graph.steps if step.operator.stage is not Stage.ANYWHERE]
    for step, later in pairwise(placed):
        if step.operator.stage > later.operator.stage:
            yield _remark(
                document,
                ("steps", later.name),
                f"{later.name} comes after {step.name}, though light meets it before",
                f'Set steps.{later.name}.before = "{step.name}".',
            )
    done: dict[str, list[str]] = {}
    of_once = {step.name for step in look.graph.steps if step.operator.once}
    for name, kind in kinds(document, look).items():
        if name in of_once:
            done.setdefault(kind, []).append(name)
    for kind, twice in done.items():
        if len(twice) > 1:
            yield _remark(
                document,
                ("steps", twice[1]),
                f"{' and '.join(twice)} both do {kind}: light would go through the water twice",
                f"Set steps.{twice[1]}.enabled = false, or take it out.",
            )


def _against_physics(document: Document, look: Look) -> Iterator[Remark]:
    depth, reference = look.place.camera_depth, look.light.reference_depth
    if reference is not None and reference < 0:
        yield _remark(
            document,
            ("light", "reference_depth"),
            f"the reference depth is {-reference:g} m above the sea",
            "Set light.reference_depth to where the render's own light holds, metres down, or leave it out.",
        )
    if (
        depth is not None
        and depth > DARK_DEPTH_M
        and look.light.veil_brightness > 0.0
        and not look.light.lamps
    ):
        yield _remark(
            document,
            ("place", "camera_depth"),
            f"no daylight reaches {depth:g} m, and there are no lamps",
            "Lower place.camera_depth, add [[light.lamps]], or set light.reference_depth near the lens to "
            "say that it is art.",
        )
    if depth is not None and reference is not None and reference - depth > look.bands.depth:
        yield _remark(
            document,
            ("light", "reference_depth"),
            f"the lens is {reference - depth:g} m above the reference depth, beyond the bands' fit",
            "Bring light.reference_depth and place.camera_depth together, or raise bands.depth.",
        )
    farthest = look.story.subject_range
    if farthest is not None and farthest > look.bands.range:
        yield _remark(
            document,
            ("story", "subject_range"),
            f"the subject is at {farthest:g} m, the bands are fitted to {look.bands.range:g} m",
            "Raise bands.range; the remap usually keeps it harmless.",
        )


def _sun_in_radians(document: Document, look: Look) -> Iterator[Remark]:
    elevation = look.light.sun_elevation
    stated = "sun_elevation" in document.tables.get("light", {})
    if stated and 0.0 < elevation < math.pi / 2.0 and not elevation.is_integer():
        yield _remark(
            document,
            ("light", "sun_elevation"),
            f"the sun stands {elevation:g} degrees above the horizon, as at its setting",
            f"If that is in radians, set light.sun_elevation = {math.degrees(elevation):.3g}: degrees.",
        )


def _without_sun(document: Document, look: Look) -> Iterator[Remark]:
    sunny = _needing(look, Source.SUN)
    if sunny and look.light.overcast >= 1.0:
        yield _remark(
            document,
            ("light", "overcast"),
            f"{' and '.join(sunny)} cannot be had under a sky without sun",
            f"Lower light.overcast, or set enabled = false in [steps.{'] and [steps.'.join(sunny)}].",
        )


def _near_limit(document: Document, look: Look) -> Iterator[Remark]:
    limit = look.story.near_limit
    if limit is not None and look.story.subject_range is None and look.story.softness is None:
        yield _remark(
            document,
            ("story", "near_limit"),
            "story.near_limit is set, but nothing is remapped",
            "Give story.subject_range with silhouette_contrast, or story.softness; or take it out.",
        )


def _of_water(preset: Preset) -> Iterator[Remark]:
    """Return what is odd once the water is known."""
    document = preset.document
    try:
        story = story_report(preset, 0, LINEAR_REC709)
    except HaloclineError as error:
        yield _remark(document, ("story",), error.message, error.fix or "Change [story].")
        return
    wanted, physical = story.wanted_contrast, story.physical_contrast
    if wanted is not None and physical is not None and physical >= wanted:
        yield _remark(
            document,
            ("story", "silhouette_contrast"),
            f"this water shows the subject with more contrast already ({physical:.2g}, {story.view}) than "
            "asked for",
            "Take [story] out, or raise story.silhouette_contrast.",
        )


def _earlier_formats(document: Document, look: Look) -> Iterator[Remark]:
    steps = [step.operator for step in look.graph.steps]
    for origin, number in document.older:
        changed = changes_since(number, steps, lit_by_lamps=bool(look.light.lamps))
        if changed:
            yield Remark(
                ("format",),
                origin,
                f"it was written for format {number}, and looks otherwise now: {'; '.join(changed)}",
                "Look at it; halocline preset upgrade FILE then writes today's number.",
            )


def _unused_origins(document: Document, look: Look) -> Iterator[Remark]:
    named = {name for model in (look.light, *look.stated.values()) for name in origins_named(model)}
    for name in document.tables.get("origins", {}):
        if name not in named:
            yield _remark(
                document,
                ("origins", name),
                f"nothing is given from the origin {name}",
                f'Say origin = "{name}" of a lamp, source, body or layer, or take it out.',
            )


def _uneven_samples(document: Document, look: Look) -> Iterator[Remark]:
    for each in uneven_after_floating(look):
        yield _remark(document, each.key, each.text, each.fix)


_Watch = Callable[[Document, Look], Iterator[Remark]]
# What is told of every preset, and that of it by which a picture is not what its preset says.
_WATCHES: tuple[_Watch, ...] = (
    _in_vain,
    _put_aside,
    _out_of_order,
    _against_physics,
    _sun_in_radians,
    _without_sun,
    _near_limit,
    _unused_origins,
    _earlier_formats,
    _uneven_samples,
)
_OF_PICTURES: tuple[_Watch, ...] = (_in_vain, _out_of_order, _without_sun, _near_limit)
