"""A preset: a checked look for a sequence, which gives the settings and the graph of any frame."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Iterable, Iterator, Mapping
from copy import copy
from dataclasses import field, replace
from functools import cached_property
from pathlib import Path
from typing import Any

from halocline.errors import GraphError, HaloclineError, PresetError, did_you_mean
from halocline.graph.graph import SOURCE, Graph, Step
from halocline.graph.limits import StepLimits
from halocline.graph.operator import AnyOperator
from halocline.graph.origins import KnownOrigin, origins_named, placed, tracked_from_origins
from halocline.graph.planes import BANDS, RGB
from halocline.graph.sea import Sea
from halocline.imaging.camera import Camera
from halocline.late_dataclass import dataclass
from halocline.operators.registry import operator_named, operators
from halocline.physics.water.bands import Bands
from halocline.presets.curves import is_curve, key_frames, resolved_at, telling_frames
from halocline.presets.document import (
    TOP_KEYS,
    Document,
    document_from_text,
    merged,
    read_document,
    with_overrides,
    with_settings,
)
from halocline.presets.late_mistakes import late_mistakes
from halocline.presets.lines import KeyPath
from halocline.presets.origins import known_origin, origin_on_lens
from halocline.presets.parts import part_document
from halocline.presets.places import SaysWhere, in_places
from halocline.presets.plain_toml import toml_of
from halocline.presets.problems import raise_problems, validated
from halocline.presets.sections import (
    FORMAT,
    LOOK_TABLES,
    SECTIONS,
    STEADY_OF_PART,
    BandsSection,
    CameraSection,
    ColourSection,
    InputSection,
    LightSection,
    OriginSection,
    OutputSection,
    PartSection,
    PlaceSection,
    SequenceSection,
    StepHead,
    StorySection,
    ViewsSection,
    WaterSection,
)
from halocline.presets.water_choice import FittedWater, fitted_water
from halocline.quantities import Strict

# Sections that hold for a whole sequence: a water that changed from frame to frame would be fitted anew each
# time, and its colours would step.
STEADY_SECTIONS = ("sequence", "water", "bands", "input", "colour", "output")


@dataclass(frozen=True)
class PartOfPicture:
    """A part of the picture on one frame.

    Attributes
    ----------
    name
        Its name.
    limits
        Where it is, and how much of its own look it gets.
    preset
        That look, by itself.
    look
        Its settings on the frame.
    """

    name: str
    limits: StepLimits
    preset: Preset
    look: Look


@dataclass(frozen=True)
class Look:
    """A preset's settings on one frame, every curve at its value.

    Attributes
    ----------
    sequence, input, water, light, place, camera, views, colour, story, bands, output
        The sections of its name.
    sea
        The surface and its waves.
    graph
        The steps, joined.
    parts
        Parts of the picture that have a look of their own on this frame, the later over the earlier.
    stated
        Parameters of each step as the preset states them; the graph's have what is given from origins in the
        world.
    origins
        The origins that are known.
    unknown
        Names of those that steps and lamps are given from and nobody has found yet.
    """

    sequence: SequenceSection
    input: InputSection
    water: WaterSection
    light: LightSection
    place: PlaceSection
    sea: Sea
    camera: CameraSection
    views: ViewsSection
    colour: ColourSection
    story: StorySection
    bands: BandsSection
    output: OutputSection
    graph: Graph
    parts: tuple[PartOfPicture, ...] = ()
    stated: Mapping[str, Strict] = field(default_factory=dict)
    origins: Mapping[str, KnownOrigin] = field(default_factory=dict)
    unknown: tuple[str, ...] = ()

    @property
    def graphs(self) -> tuple[Graph, ...]:
        """The steps of the whole picture, and those of its parts."""
        return (self.graph, *(graph for part in self.parts for graph in part.look.graphs))

    @property
    def places(self) -> tuple[StepLimits, ...]:
        """Where parts are, and parts of parts."""
        return tuple(limits for part in self.parts for limits in (part.limits, *part.look.places))


class Preset:
    """A checked preset.

    Parameters
    ----------
    document
        The merged tables.
    within
        Files of the presets that this one is part of.

    Raises
    ------
    PresetError
        With every mistake of the preset in ``problems``.
    """

    def __init__(self, document: Document, within: tuple[Path, ...] = ()) -> None:
        self.document = document
        self.name = document.name
        self.title = str(document.tables.get("title", document.name))
        self.notes = str(document.tables.get("notes", ""))
        self._order, misplaced = _step_order(document)
        self._within = within
        self._parts, unmade = _part_presets(document, within)
        self._origins, unplaced = _origins(document)
        problems = [
            *_top_level_problems(document),
            *_moving_seas(document),
            *misplaced,
            *unmade,
            *unplaced,
        ]
        if problems:
            # All mistakes are told at once, also those that do not keep the sections from being read.
            sections, wrong = _sections(_still(document.tables), document)
            problems += [*wrong, *late_mistakes(sections, document)]
        raise_problems(problems, document)
        self._looks: dict[float, Look] = {}
        self._lens: Camera | None = None
        self._animated = bool(key_frames(document.tables)) or any(
            part.animated for part in self._parts.values()
        )
        for frame in sorted({0, *telling_frames(document.tables)}):
            self.at(frame)

    def __repr__(self) -> str:
        title = f": {self.title}" if self.title != self.name else ""
        steps = ", ".join(name if head.enabled else f"({name})" for name, head in self._order) or "no steps"
        frames = key_frames(self.document.tables)
        moves = f"; moves over frames {min(frames):g} to {max(frames):g}" if frames else ""
        return f"<Preset {self.name!r}{title}; steps {steps}{moves}>"

    def refuse_late_mistakes(self) -> None:
        """Refuse waters and colour spaces that are not there, of the look and of all its parts at once.

        Raises
        ------
        HaloclineError
            With every such mistake; a run would meet them one by one, as it comes to them.
        """
        raise_problems(self._late_mistakes(), self.document)

    def _late_mistakes(self) -> list[HaloclineError]:
        look = self.at(0)
        sections = {"water": look.water, "bands": look.bands, "colour": look.colour}
        found = late_mistakes(sections, self.document)
        return [*found, *(mistake for part in self._parts.values() for mistake in part._late_mistakes())]

    def with_settings(self, settings: Mapping[str, Any]) -> Preset:
        """Return the same look with some keys set otherwise; this one stays as it is.

        Parameters
        ----------
        settings
            Values by key, each as a preset file writes them: numbers, text with a unit (``"12 m"``), lists,
            curves as tables. Keys are dotted (``"light.sun_elevation"``, ``"steps.snow.per_litre"``) or
            tables within tables; None takes a key back to its default.

        Returns
        -------
        preset
            Checked like any other.

        Raises
        ------
        PresetError
            With every mistake at once, told by the keys given; ``E-PRESET-SET`` where a key cannot be set.

        Examples
        --------
        >>> import halocline
        >>> look = halocline.load_preset("jerlov-1c")
        >>> look.with_settings({"light.sun_elevation": 20}).at(0).light.sun_elevation
        20.0
        """
        return Preset(with_settings(self.document, settings))

    @property
    def steps(self) -> tuple[tuple[str, StepHead], ...]:
        """All steps in their order, those put aside included, with what each says of its place."""
        return tuple(self._order)

    @property
    def parts(self) -> Mapping[str, Preset]:
        """The looks of the parts of the picture that have one of their own, the later over the earlier."""
        return self._parts

    @property
    def origins(self) -> Mapping[str, OriginSection]:
        """The places that things are bound to, by name."""
        return self._origins

    def with_origins(self, found: Mapping[str, Any]) -> Preset:
        """Return the same look with the places known that things are bound to.

        Parameters
        ----------
        found
            ``origins`` and ``parts`` as a preset's tables have them, with what was found of each origin.

        Returns
        -------
        preset
            Checked like any other.

        Raises
        ------
        PresetError
            Where what was found is none.
        """
        tables = merged(self.document.tables, found)
        return Preset(replace(self.document, tables=tables), self._within)

    def with_lens(self, camera: Camera) -> Preset:
        """Return the same look with what follows the lens where a camera is.

        Parameters
        ----------
        camera
            That of one frame, or the middle of two eyes.

        Returns
        -------
        preset
            For that frame; itself where nothing follows.
        """
        parts = {name: part.with_lens(camera) for name, part in self._parts.items()}
        followed = any(section.follows for section in self._origins.values())
        if not followed and all(part is self._parts[name] for name, part in parts.items()):
            return self
        made = copy(self)
        made._lens, made._parts, made._looks = camera, parts, {}
        return made

    @property
    def animated(self) -> bool:
        """Whether anything changes from frame to frame."""
        return self._animated

    def at(self, frame: float) -> Look:
        """Return the settings on a frame.

        Parameters
        ----------
        frame
            Frame number, whole or between; counts only where the preset is animated.

        Returns
        -------
        The settings, curves looked up, every length in metres and every angle in degrees.
        """
        key = frame if self.animated else 0
        look = self._looks.get(key)
        if look is None:
            look = self._look(key)
            # Long animated sequences must not fill the memory with looks.
            if len(self._looks) > 256:
                self._looks.clear()
            self._looks[key] = look
        return look

    @cached_property
    def water(self) -> FittedWater:
        """The water, with its bands fitted in linear Rec.709; from the text itself where that is resolved."""
        look = self.at(0)
        return fitted_water(look.water, look.bands, self.document)

    @property
    def bands(self) -> Bands:
        """The fitted bands, for linear Rec.709."""
        return self.water.bands

    @cached_property
    def resolved_text(self) -> str:
        """The preset as one text with everything in it: nothing inherited, every default written out.

        Rendering from this text gives the same bits, whatever becomes of the files it came from.
        """
        return toml_of(self.resolved_tables())

    @cached_property
    def digest(self) -> str:
        """SHA-256 of `resolved_text`, hexadecimal."""
        return hashlib.sha256(self.resolved_text.encode()).hexdigest()

    def digest_at(self, frame: int) -> str:
        """Return the SHA-256 of all that a frame's picture depends on of this preset, hexadecimal.

        Curves count by their values on the frame; title, notes and the choice of layers do not count: no bit
        of the picture depends on them. Neither do origins that nothing is given from; nor where the lens was
        on other frames, where no track is given from there; nor, where there are no layers, which would lack
        theirs, steps that do nothing on the frame by their settings alone. Of the camera only what is stated
        on this frame counts, and of a file of cameras nothing but its name: cameras by which a frame is made
        are on record by themselves.

        Parameters
        ----------
        frame
            Frame number.

        Returns
        -------
        str
            64 digits.
        """
        tables = self.resolved_tables(frame)
        told = {key: value for key, value in tables.items() if key not in ("title", "notes")}
        # What a file of cameras holds counts by the frame's cameras.
        track = told["camera"].get("track")
        if track is not None:
            told["camera"] = {**told["camera"], "track": {**track, "sha256": ""}}
        told["steps"] = self._steps_told(tables["steps"], frame)
        named = {name for _, name in _origin_keys({key: told[key] for key in ("steps", "light")})}
        tracked = self._tracked(self.at(frame).stated[name] for name in told["steps"])
        origins = {
            # Where the lens was on other frames counts for tracks alone.
            name: origin if name in tracked else {**origin, "way": []}
            for name, origin in told.pop("origins", {}).items()
            if name in named
        }
        if origins:
            told["origins"] = origins
        told["output"] = {key: value for key, value in told["output"].items() if key != "layers"}
        # A part that has nothing of its own on this frame is none.
        there = {part.name for part in self.at(frame).parts}
        told["parts"] = _parts_told(
            {name: part for name, part in tables.get("parts", {}).items() if name in there}
        )
        if not there:
            del told["parts"]
        return hashlib.sha256(json.dumps(told, sort_keys=True).encode()).hexdigest()

    def _steps_told(self, tables: Mapping[str, Any], frame: int) -> dict[str, Any]:
        """Return the resolved steps of a frame without those that are absent from it."""
        look = self.at(frame)
        steps = {} if look.output.layers else {step.name: step for step in look.graph.steps}
        fps = look.sequence.frames_per_second
        passed = {
            name: tables[name]["input"]
            for name, step in steps.items()
            if len(step.inputs) == 1 and (step.limits.amount == 0.0 or step.operator.absent(frame, fps))
        }

        def before(name: str) -> str:
            while name in passed:
                name = passed[name]
            return name

        roles = ("input", "other")
        return {
            name: {key: before(value) if key in roles else value for key, value in table.items()}
            for name, table in tables.items()
            if name not in passed
        }

    def _look(self, frame: float) -> Look:
        document = self.document
        try:
            tables = resolved_at(document.tables, frame)
        except PresetError as error:
            raise_problems([document.located(error, error.key)], document)
            raise
        sections, wrong = _sections(tables, document)
        light = sections["light"]
        origins = {} if sections["place"] is None else self._known_origins(sections["place"])
        graph, stated, unjoined = self._graph(tables.get("steps", {}), origins)
        parts, unplaced = self._placed_parts(tables.get("parts", {}), frame)
        problems = [*wrong, *unjoined, *unplaced, *self._on_moving_floors(stated.values())]
        if problems:
            problems += late_mistakes(sections, document)
        raise_problems(problems, document)
        named = (name for model in (light, *stated.values()) for name in origins_named(model))
        wayless = {
            name
            for name in self._tracked(stated.values())
            if self._origins[name].follows and not self._origins[name].way
        }
        unknown = tuple(dict.fromkeys(name for name in named if name not in origins or name in wayless))
        return Look(  # no problems: all are there
            graph=graph,  # type: ignore[arg-type]
            parts=parts,
            stated=stated,
            origins=origins,
            unknown=unknown,
            **sections,  # type: ignore[arg-type]
        )

    def _known_origins(self, place: Any) -> dict[str, KnownOrigin]:
        """Return the origins that have been found, that are stated, or that are where the lens is."""
        known = {
            name: origin
            for name, section in self._origins.items()
            if (origin := known_origin(section, place)) is not None
        }
        if self._lens is not None:
            followed = {name: section for name, section in self._origins.items() if section.follows}
            known |= {name: origin_on_lens(each, place, self._lens) for name, each in followed.items()}
        return known

    def tracks_that_follow(self) -> dict[str, tuple[float, float]]:
        """Return the frames over which tracks are given from origins that follow the lens.

        Returns
        -------
        dict[str, tuple[float, float]]
            First and last key by the origin's name.
        """
        found: dict[str, tuple[float, float]] = {}
        for name, frames in self._tracked(self.at(0).stated.values()).items():
            if self._origins[name].follows:
                found[name] = min(frames), max(frames)
        return found

    def _tracked(self, models: Iterable[Any]) -> dict[str, list[float]]:
        """Return the key frames of all tracks that are given from each origin."""
        found: dict[str, list[float]] = {}
        for model in models:
            for each in tracked_from_origins(model):
                if each.origin in self._origins:
                    found.setdefault(each.origin, []).extend(key.frame for key in each.track)
        return found

    def _on_moving_floors(self, models: Iterable[Any]) -> list[HaloclineError]:
        """Return what is wrong with tracks that are given from where the lens is: a floor that moves with it.

        The lens goes up and down, and what has come down to a floor stays on it.
        """
        moving = {name for name, each in self._origins.items() if each.follows and each.floor is None}
        named = dict.fromkeys(
            each.origin
            for model in models
            for each in tracked_from_origins(model)
            if each.origin in moving and isinstance(getattr(each, "floor", None), float)
        )
        return [
            self.document.problem(
                f'the height of a floor is given from the origin "{name}", which follows the lens, and a '
                "floor does not go up and down with it",
                ("origins", name, "follows"),
                code="E-PRESET-ORIGIN",
                fix=f"Put the origin on the floor's height in the world (origins.{name}.floor), or let the "
                'floor be found: floor = "found".',
            )
            for name in named
        ]

    def _placed_parts(
        self, tables: Mapping[str, Any], frame: float
    ) -> tuple[tuple[PartOfPicture, ...], list[HaloclineError]]:
        """Return the parts that a frame has, and what is wrong with them."""
        parts: list[PartOfPicture] = []
        problems: list[HaloclineError] = []
        for name, preset in self._parts.items():
            section, wrong = validated(PartSection, tables[name], ("parts", name), self.document)
            problems += wrong
            if section is not None and section.amount > 0.0:
                parts.append(PartOfPicture(name, section.limits, preset, preset.at(frame)))
        return tuple(parts), problems

    def _graph(
        self, tables: Mapping[str, Any], origins: Mapping[str, KnownOrigin]
    ) -> tuple[Graph | None, dict[str, Strict], list[HaloclineError]]:
        """Return the graph of the steps, and what they state; or nothing and what keeps them from it."""
        document = self.document
        stated: dict[str, Strict] = {}
        steps, previous = [], SOURCE
        problems: list[HaloclineError] = []
        for name, head in self._order:
            kind = operator_named(head.operator or name)
            own, limiting = _keys_of(tables[name], kind)
            parameters, wrong = validated(kind.Parameters, own, ("steps", name), document)
            problems += wrong
            limits, wrong = validated(StepLimits, limiting, ("steps", name), document)
            problems += wrong
            # A step that is put aside must be right too: somebody will enable it.
            if parameters is None or limits is None or not head.enabled:
                continue
            inputs = dict(zip(kind.inputs, (head.input or previous, head.other), strict=False))
            named = {role: source for role, source in inputs.items() if source is not None}
            stated[name] = parameters
            steps.append(Step(name, kind(placed(parameters, origins)), named, limits))
            previous = name
        problems += [*_late_lights(steps, document), *_light_mixed_up(steps, document)]
        if problems:
            return None, stated, problems
        try:
            return Graph(steps, previous), stated, []
        except GraphError as error:
            return None, stated, [document.located(error, error.key or ("steps",))]

    def resolved_tables(self, frame: int | None = None) -> dict[str, Any]:
        """Return `resolved_text` as tables: nothing inherited, every default written out.

        Parameters
        ----------
        frame
            Give curves their values on this frame; where not given, they stay in their places.

        Returns
        -------
        tables
            Plain dictionaries, lists, text and numbers.
        """
        look = self.at(0 if frame is None else frame)
        tables = self.document.tables if frame is None else resolved_at(self.document.tables, frame)
        resolved: dict[str, Any] = {"format": FORMAT, "title": self.title}
        if self.notes:
            resolved["notes"] = self.notes
        for name in SECTIONS:
            section = getattr(look, name)
            resolved[name] = _with_curves(section.model_dump(mode="json"), tables.get(name, {}))
        resolved["bands"]["fitted"] = self.water.to_dict()
        if self._origins:
            resolved["origins"] = {
                name: section.model_dump(mode="json") for name, section in self._origins.items()
            }
        if self._parts:
            resolved["parts"] = self._resolved_parts(tables["parts"], frame)
        resolved["steps"] = {}
        for step in look.graph.steps:
            raw = tables["steps"][step.name]
            own = _with_curves(look.stated[step.name].model_dump(mode="json"), raw)
            limits = _with_curves(step.limits.model_dump(mode="json", exclude_defaults=True), raw)
            roles = dict(zip(("input", "other"), step.inputs.values(), strict=False))
            head = {"operator": raw.get("operator", step.name), **roles}
            resolved["steps"][step.name] = {**head, **limits, **own}
        without: dict[str, Any] = _without_none(resolved)
        return without

    def _resolved_parts(self, tables: Mapping[str, Any], frame: int | None) -> dict[str, Any]:
        """Return each part with the whole of its look."""
        resolved: dict[str, Any] = {}
        still = resolved_at(tables, 0 if frame is None else frame)
        for name, preset in self._parts.items():
            section, _ = validated(PartSection, still[name], ("parts", name), self.document)
            limits = {} if section is None else section.limits.model_dump(mode="json", exclude_defaults=True)
            whole = preset.resolved_tables(frame)
            look = {key: whole[key] for key in LOOK_TABLES if key in whole}
            resolved[name] = {**_with_curves(limits, tables[name]), "alone": True, **look}
        return resolved


def load_preset(preset: str | os.PathLike[str], overrides: Iterable[str] = ()) -> Preset:
    """Read and check a preset.

    Parameters
    ----------
    preset
        A file, or the name of a shipped preset.
    overrides
        Single keys to set, each ``"SECTION.KEY=VALUE"``.

    Returns
    -------
    Preset
        The preset, checked.

    Raises
    ------
    PresetError
        Where the preset cannot be found or has mistakes; all of them are told at once.
    """
    return Preset(with_overrides(read_document(preset), overrides))


def preset_from_text(text: str, overrides: Iterable[str] = ()) -> Preset:
    """Check a preset given as text, such as the resolved text of a frame.

    Parameters
    ----------
    text
        A preset in TOML.
    overrides
        As `load_preset` takes them.

    Returns
    -------
    Preset
        The preset, checked.

    Raises
    ------
    PresetError
        Where the text has mistakes; all of them are told at once.
    """
    return Preset(with_overrides(document_from_text(text), overrides))


def _sections(
    tables: Mapping[str, Any], document: Document
) -> tuple[dict[str, Strict | None], list[HaloclineError]]:
    """Return the sections by name, and every mistake in them."""
    checked = {
        name: validated(model, tables.get(name, {}), (name,), document) for name, model in SECTIONS.items()
    }
    problems = [problem for _, wrong in checked.values() for problem in wrong]
    return {name: section for name, (section, _) in checked.items()}, problems


def _part_presets(
    document: Document, within: tuple[Path, ...]
) -> tuple[dict[str, Preset], list[HaloclineError]]:
    """Return the looks of parts by name, and every mistake in them."""
    tables = document.tables.get("parts", {})
    if not isinstance(tables, Mapping):
        return {}, [document.problem("parts is not a table", ("parts",), code="E-PRESET-VALUE")]
    parts: dict[str, Preset] = {}
    heads: dict[str, PartSection] = {}
    problems: list[HaloclineError] = []
    for name, table in tables.items():
        still = _still(table)
        if isinstance(still, Mapping) and isinstance(table, Mapping):
            # A curve is no name.
            still = {**still, **{key: table[key] for key in STEADY_OF_PART if key in table}}
        head, wrong = validated(PartSection, still, ("parts", name), document)
        if head is None:
            problems += wrong
            continue
        heads[name] = head
        try:
            parts[name] = Preset(*part_document(document, name, within))
        except PresetError as error:
            problems += error.problems or [error]
    order, misplaced = _in_places(heads, "part", document)
    return {name: parts[name] for name in order if name in parts}, [*problems, *misplaced]


def _parts_told(parts: Mapping[str, Any]) -> dict[str, Any]:
    """Return resolved parts with the order in which they lie over each other: as keys they have none."""
    told = {
        name: {**part, "parts": _parts_told(part["parts"])} if "parts" in part else part
        for name, part in parts.items()
    }
    # No part is called so: its name would be empty.
    return told if len(told) < 2 else {**told, "": list(told)}


def _origins(document: Document) -> tuple[dict[str, OriginSection], list[HaloclineError]]:
    """Return the origins by name, and what is wrong with them and with what names them."""
    tables = document.tables.get("origins", {})
    if not isinstance(tables, Mapping):
        return {}, [document.problem("origins is not a table", ("origins",), code="E-PRESET-VALUE")]
    if key_frames(tables):
        problem = document.problem(
            "[origins] cannot change from frame to frame",
            ("origins",),
            code="E-PRESET-STEADY",
            fix="An origin is one place. Animate what is given from it, or its track.",
        )
        return {}, [problem]
    origins: dict[str, OriginSection] = {}
    problems: list[HaloclineError] = []
    for name, table in tables.items():
        section, wrong = validated(OriginSection, table, ("origins", name), document)
        problems += wrong
        if section is not None:
            origins[name] = section
    for path, named in _origin_keys({key: document.tables.get(key) for key in ("steps", "light")}):
        if named not in tables:
            problems.append(
                document.problem(
                    f'there is no origin "{named}"',
                    path,
                    code="E-PRESET-ORIGIN",
                    fix=f"Add [origins.{named}]; there are: {', '.join(tables) or 'none'}."
                    f"{did_you_mean(str(named), list(tables))}",
                )
            )
    return origins, problems


def _origin_keys(tables: Any, path: KeyPath = ()) -> Iterator[tuple[KeyPath, Any]]:
    """Yield every key that names an origin, and what it names."""
    items: Iterable[tuple[Any, Any]] = ()
    if isinstance(tables, Mapping):
        items = tables.items()
        if isinstance(tables.get("origin"), str):
            yield (*path, "origin"), tables["origin"]
    elif isinstance(tables, list | tuple):
        items = enumerate(tables)
    for key, value in items:
        yield from _origin_keys(value, (*path, str(key)))


def _keys_of(table: Mapping[str, Any], kind: type[AnyOperator]) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return a step's keys for its operator, and those that limit it; the operator's own names come first."""
    keys = {key: value for key, value in table.items() if key not in StepHead.model_fields}
    limiting = StepLimits.model_fields.keys() - kind.Parameters.model_fields.keys()
    own = {key: value for key, value in keys.items() if key not in limiting}
    return own, {key: value for key, value in keys.items() if key in limiting}


def _top_level_problems(document: Document) -> Iterator[HaloclineError]:
    for key in document.tables:
        if key not in TOP_KEYS:
            yield document.problem(
                f'unknown key "{key}"',
                (key,),
                code="E-PRESET-KEY",
                fix=f"Known here: {', '.join(TOP_KEYS)}.{did_you_mean(key, TOP_KEYS)}",
            )
    for key in ("title", "notes"):
        if not isinstance(document.tables.get(key, ""), str):
            yield document.problem(
                f"{key} is {document.tables[key]!r}, not text",
                (key,),
                code="E-PRESET-VALUE",
                fix="Write it in quotation marks.",
            )
    for name in STEADY_SECTIONS:
        if key_frames(document.tables.get(name, {})):
            yield document.problem(
                f"[{name}] cannot change from frame to frame",
                (name,),
                code="E-PRESET-STEADY",
                fix="Animate [light], [story] or a step's keys instead.",
            )


def _moving_seas(document: Document) -> Iterator[HaloclineError]:
    """Yield what is wrong with seas whose waves would change from frame to frame."""
    steps = document.tables.get("steps", {})
    names = steps if isinstance(steps, Mapping) else {}
    places = [("sea",), *(("steps", name, "surface") for name in names)]
    steady = Sea.model_fields.keys() - Sea.MOVING
    for place in places:
        table: Any = document.tables
        for key in place:
            table = table.get(key, {}) if isinstance(table, Mapping) else {}
        for key in sorted(steady.intersection(table if isinstance(table, Mapping) else ())):
            if key_frames({key: table[key]}):
                yield document.problem(
                    f"{key} of a sea cannot change from frame to frame",
                    (*place, key),
                    code="E-PRESET-STEADY",
                    fix=f"The waves would jump. Of a sea {' and '.join(sorted(Sea.MOVING))} can change.",
                )


def _step_order(document: Document) -> tuple[list[tuple[str, StepHead]], list[HaloclineError]]:
    """Return the steps in order, with what they say of their place, and what is wrong with that."""
    tables = document.tables.get("steps", {})
    if not isinstance(tables, Mapping):
        return [], [document.problem("steps is not a table", ("steps",), code="E-PRESET-VALUE")]
    heads: dict[str, StepHead] = {}
    problems: list[HaloclineError] = []
    for name, table in tables.items():
        keys = table
        if isinstance(table, Mapping):
            keys = {key: value for key, value in table.items() if key in StepHead.model_fields}
        head, wrong = validated(StepHead, keys, ("steps", name), document)
        problems += wrong
        if head is not None:
            heads[name] = head
            problems += _operator_problems(name, head, document)
    order, misplaced = _in_places(heads, "step", document, SOURCE)
    return [(name, heads[name]) for name in order], [*problems, *misplaced]


def _in_places(
    heads: Mapping[str, SaysWhere], kind: str, document: Document, first: str | None = None
) -> tuple[list[str], list[HaloclineError]]:
    """Return the names of steps or parts in order, and what is wrong with what they say of their place."""
    order, misplaced = in_places(heads, first)
    return order, [
        document.problem(
            f'there is no {kind} "{neighbour}" to come {side}',
            (f"{kind}s", name, side),
            code="E-PRESET-ORDER",
            fix=f"{kind.capitalize()}s here: {', '.join(order)}.{did_you_mean(neighbour, order)}",
        )
        for name, side, neighbour in misplaced
    ]


def _late_lights(steps: Iterable[Step], document: Document) -> Iterator[HaloclineError]:
    """Yield what is wrong with steps that change a light layer after others have changed the whole."""
    early = {SOURCE}
    for step in steps:
        if not any(name.startswith("light.") for name in step.operator.planes().reads):
            continue
        source = step.inputs[step.operator.inputs[0]]
        if source not in early:
            yield document.problem(
                f'"{step.name}" deals with one light layer of the render, but comes after "{source}"',
                ("steps", step.name),
                code="E-PRESET-ORDER",
                fix='Say after = "render": what another step has done to the beauty is not in the layer.',
            )
        early.add(step.name)


def _light_mixed_up(steps: Iterable[Step], document: Document) -> Iterator[HaloclineError]:
    """Yield what is wrong with steps that can no longer tell the subject's light from the water's."""
    thrown, changed = {SOURCE: False}, dict[str, str]()
    for step in steps:
        source, use = step.inputs[step.operator.inputs[0]], step.operator.planes()
        if step.operator.parts_light and source in changed:
            yield document.problem(
                f'"{step.name}" parts the subject\'s light from the water\'s, but "{changed[source]}", which '
                "comes before it, has changed both",
                ("steps", step.name),
                code="E-PRESET-ORDER",
                fix=f'Set steps.{step.name}.before = "{changed[source]}".',
            )
        thrown[step.name] = thrown.get(source, False) or bool(use.adds)
        if source in changed:
            changed[step.name] = changed[source]
        elif thrown[step.name] and not use.adds and use.writes & {RGB, BANDS}:
            changed[step.name] = step.name


def _operator_problems(name: str, head: StepHead, document: Document) -> Iterator[HaloclineError]:
    try:
        kind = operator_named(head.operator or name)
    except GraphError as error:
        yield document.located(error, ("steps", name, "operator"))
        return
    if head.other is not None and len(kind.inputs) < 2:
        yield document.problem(
            f'the operator "{head.operator or name}" takes one picture, not another beside it',
            ("steps", name, "other"),
            code="E-PRESET-INPUT",
            fix=f'Leave "other" out. Two pictures are taken by: {", ".join(_of_two_pictures())}.',
        )


def _of_two_pictures() -> list[str]:
    return [name for name, kind in operators().items() if len(kind.inputs) > 1]


def _with_curves(plain: Any, raw: Any) -> Any:
    """Return checked values with the curves of the raw tables put back in their places."""
    if is_curve(raw):
        return raw
    if isinstance(plain, Mapping) and isinstance(raw, Mapping):
        return {key: _with_curves(value, raw.get(key)) for key, value in plain.items()}
    if isinstance(plain, list) and isinstance(raw, list) and len(plain) == len(raw):
        return [_with_curves(value, other) for value, other in zip(plain, raw, strict=True)]
    return plain


def _without_none(value: Any) -> Any:
    # TOML has no word for nothing; a key left out is the same.
    if isinstance(value, Mapping):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list):
        return [_without_none(item) for item in value]
    return value


def _still(tables: Any) -> Any:
    """Return the tables as they stand on frame 0; nothing, where a curve of them cannot be read."""
    try:
        return resolved_at(tables, 0)
    except PresetError:
        return {}
