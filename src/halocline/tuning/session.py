"""A preset's text under change: each step checked, undone and done again, saved as a new version."""

from __future__ import annotations

import re
import shlex
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import tomlkit

from halocline.errors import CollectedError, HaloclineError, PresetError
from halocline.files.whole import write_whole
from halocline.graph.graph import SOURCE
from halocline.late_dataclass import dataclass
from halocline.presets.document import document_at, preset_path, shipped_folder
from halocline.presets.edit import edited
from halocline.presets.lines import KeyPath
from halocline.presets.places import Place, Side, place_beside
from halocline.presets.preset import Preset
from halocline.presets.renamed import operators_of, upgraded
from halocline.presets.sections import CHOICES, FORMAT, ORIGIN_CHOICES, PLACE_CHOICES
from halocline.presets.without import WITHOUT, dotted_key, path_of

MOST_STEPS = 1000
MOST_VERSIONS = 9999
# Of these tables, by name: keys of which one alone can be stated.
_CHOICES = {"steps": PLACE_CHOICES, "parts": PLACE_CHOICES, "origins": ORIGIN_CHOICES}
# Keys that are stated together or not at all, and what one begins with as the other is stated.
_SUBJECT = {"subject_range": "10 m", "silhouette_contrast": 0.1}
_PAIRS: Mapping[KeyPath, Mapping[str, Any]] = {("story", key): _SUBJECT for key in _SUBJECT}


@dataclass(frozen=True)
class State:
    """A text that is a valid preset.

    Attributes
    ----------
    text, preset
        The text, and what it says.
    number
        Counts changes; never used twice in a session, so that a picture can say what it shows.
    """

    text: str
    preset: Preset
    number: int


class Session:
    """A preset being tuned.

    Parameters
    ----------
    preset
        A preset file, or the name of a shipped one: that is not changed, but extended.
    frames, depth, passes
        What the finished preset is for, as on the command line.
    save_to
        File to save versions beside: ``look.toml`` gives ``look.v001.toml``. Nothing is written where not
        given.

    Raises
    ------
    PresetError
        Where the preset is not valid.
    """

    def __init__(
        self,
        preset: str,
        frames: str,
        *,
        depth: str | None = None,
        passes: Mapping[str, str] | None = None,
        save_to: Path | None = None,
    ) -> None:
        self.frames, self.depth, self.passes, self.save_to = frames, depth, dict(passes or {}), save_to
        source = preset_path(preset)
        if source.parent == shipped_folder():
            self.path = (save_to or Path(f"{source.stem}-tuned.toml")).absolute()
            text = f'format = {FORMAT}\nextends = "{source.stem}"\n'
        else:
            self.path = source.absolute()
            text = source.read_text(encoding="utf-8-sig")
        self.source = preset
        self._numbers = 0
        self._inherited: tuple[str, Mapping[str, Any]] = ("", {})
        first = self._checked(text)
        self.opened = first
        self._past: list[State] = [first]
        self._undone: list[State] = []
        self._gesture = ""
        self.saved_text = text

    @property
    def state(self) -> State:
        """The preset as it is now."""
        return self._past[-1]

    @property
    def can_undo(self) -> bool:
        """Whether there is a change to take back."""
        return len(self._past) > 1

    @property
    def can_redo(self) -> bool:
        """Whether there is a change to make again."""
        return bool(self._undone)

    def change(self, settings: Sequence[str], gesture: str = "") -> State:
        """Set keys, each ``SECTION.KEY=VALUE``; ``SECTION.KEY=`` takes a key out, back to what is inherited.

        Where the file does not state it, what it extends does no more: the key is named in ``without``.

        Of keys of which one alone can be stated, the one that is set replaces the others; of those that say
        nothing alone the other begins with it.

        Parameters
        ----------
        settings
            What to set.
        gesture
            Changes of one gesture (a slider that is dragged) in a row are one change to undo.

        Raises
        ------
        PresetError
            Where the result would not be valid; nothing is changed then.
        """
        before = replace(self.state, text=self._words_of_today())
        settings = [*_together(before.text, before.preset.document.tables, settings), *settings]
        left_out, settings = self._left_out(before, settings)
        wanted = [
            *self._whole_arrays(before, settings),
            *_put_away(before.text, settings),
            *_into_the_world(before.preset.document.tables, settings),
            *left_out,
            *settings,
        ]
        state = self._checked(edited(before.text, wanted, name=self.path.name))
        if state.text != before.text:
            if gesture and gesture == self._gesture and self.can_undo:
                self._past.pop()
            self._gesture = gesture
            self._past.append(state)
            del self._past[: max(0, len(self._past) - MOST_STEPS)]
            self._undone.clear()
        return self.state

    @property
    def inherited(self) -> Mapping[str, Any]:
        """The tables of what the preset extends; empty where it stands by itself."""
        extends = tomllib.loads(self.state.text).get("extends")
        if extends is None:
            return {}
        if self._inherited[0] != extends:
            text = f"format = {FORMAT}\nextends = {toml_text(extends)}\n"
            self._inherited = (extends, document_at(text, self.path).tables)
        return self._inherited[1]

    @property
    def left_out(self) -> dict[str, KeyPath]:
        """What the file leaves out of what it extends: paths, by how they are written."""
        return {dotted: path_of(dotted) for dotted in tomllib.loads(self.state.text).get(WITHOUT, ())}

    def place_origin(self, name: str, point: tuple[float, float], frame: int) -> State:
        """Put an origin where a frame shows a point, whatever said before where it is.

        Parameters
        ----------
        name
            The origin; it is made where there is none of that name.
        point
            Shares of the frame's width, from the left, and of its height, from the top.
        frame
            The frame that the point was seen on. The origin is found on that one: on others the lens may
            stand elsewhere.

        Raises
        ------
        PresetError
            As `change`.
        """
        head = f"origins.{name}"
        across, down = (round(share, 5) for share in point)
        settings = [f"{head}.point=[{across}, {down}]", f"{head}.frame={frame}"]
        if value_at(self.state.preset.document.tables, ("origins", name, "follows")):
            # The lens alone can be followed, and a preset that this one extends may say so.
            settings.append(f"{head}.follows=false")
        return self.change(settings)

    def move(self, table: str, name: str, by: int) -> State:
        """Move a step or a part one place on or back.

        Parameters
        ----------
        table
            ``steps`` or ``parts``: of these the order says something.
        name
            Which is moved.
        by
            1 for later, -1 for earlier; at the end nothing is changed.

        Raises
        ------
        PresetError
            As `change`.
        """
        preset = self.state.preset
        tables = preset.document.tables[table]
        order = [each for each, _ in preset.steps] if table == "steps" else list(preset.parts)
        to = order.index(name) + by
        if not 0 <= to < len(order):
            return self.state
        heads = {each: Place(own.get("after"), own.get("before")) for each, own in tables.items()}
        side: Side = "after" if by > 0 else "before"
        said = place_beside(heads, name, side, order[to], SOURCE if table == "steps" else None)
        settings = [
            f"{table}.{each}.{key}={toml_text(other)}"
            for each, place in said.items()
            for key, other in place._asdict().items()
            if other is not None
        ]
        return self.change(settings)

    def take_over(self, tables: Mapping[str, Mapping[str, Any]]) -> State:
        """Set keys of sections in one change, in place of other choices that the file makes there.

        Parameters
        ----------
        tables
            Values by key, by section.

        Raises
        ------
        PresetError
            As `change`.
        """
        settings = [
            f"{section}.{key}={toml_text(value)}"
            for section, table in tables.items()
            for key, value in table.items()
        ]
        return self.change(settings)

    def undo(self) -> State:
        """Take the last change back, if there is one."""
        self._gesture = ""
        if self.can_undo:
            self._undone.append(self._past.pop())
            self._past[-1] = self._renumbered(self._past[-1])
        return self.state

    def undo_all(self) -> State:
        """Take all changes back, one by one, so that each can be made again."""
        while self.can_undo:
            self.undo()
        return self.state

    def redo(self) -> State:
        """Make the last change that was taken back again, if there is one."""
        self._gesture = ""
        if self._undone:
            self._past.append(self._renumbered(self._undone.pop()))
        return self.state

    def save(self) -> Path:
        """Write the text as a new version, and return its file. No version is ever written over.

        Raises
        ------
        PresetError
            ``E-PRESET-SAVE`` where the session is for reading only; as `load_preset` where the text would not
            be valid there.
        WriteError
            Where it cannot be written.
        """
        if self.save_to is None:
            raise PresetError(
                "nothing is saved: this page is for looking only",
                code="E-PRESET-SAVE",
                fix="Start it with --save-to look.toml.",
            )
        text = self.state.text
        for number in range(1, MOST_VERSIONS):
            target = self.save_to.with_name(f"{self.save_to.stem}.v{number:03d}.toml")
            if not target.exists():
                Preset(document_at(text, target.absolute()))
                write_whole(target, text.encode(), make_folder=True)
                self.saved_text = text
                return target
        raise PresetError(
            f"there are {MOST_VERSIONS} versions of {self.save_to.name} already",
            code="E-PRESET-SAVE",
            fix="Start it with another name after --save-to.",
        )

    def versions(self) -> list[Path]:
        """Return the versions that are saved already, the first one first."""
        if self.save_to is None:
            return []
        own = re.compile(re.escape(self.save_to.stem) + r"\.v\d{3,}\.toml")
        found = self.save_to.parent.iterdir() if self.save_to.parent.is_dir() else ()
        return sorted(path.absolute() for path in found if own.fullmatch(path.name))

    def command(self, preset: str | Path) -> str:
        """Return the command that renders the whole sequence with a preset."""
        depth = [] if self.depth is None else ["--depth", self.depth]
        own = [word for name, pattern in self.passes.items() for word in ("--pass", f"{name}={pattern}")]
        return shlex.join(["halocline", "apply", str(preset), self.frames, *depth, *own, "--out", "wet/"])

    def _words_of_today(self) -> str:
        """Return the text with its keys in the words of today, in which the page names them."""
        return upgraded(self.state.text, operators_of(self.state.preset.document.tables))[0]

    def _checked(self, text: str) -> State:
        preset = Preset(document_at(text, self.path))
        preset.bands  # noqa: B018 - fits the water, which is where its own mistakes show
        return self._renumbered(State(text, preset, 0))

    def _renumbered(self, state: State) -> State:
        self._numbers += 1
        return State(state.text, state.preset, self._numbers)

    def _left_out(self, state: State, settings: Sequence[str]) -> tuple[list[str], list[str]]:
        """Return the setting of what the file leaves out, if that changes, and the settings of keys."""
        own = tomllib.loads(state.text)
        named = {dotted: path_of(dotted) for dotted in own.get(WITHOUT, ())}
        others: list[str] = []
        stated: list[KeyPath] = []
        for setting in settings:
            path, value = _parted(setting)
            if value:
                stated.append(path)
            # Of an array's rows the whole array is written, and what is taken out is not there.
            elif (
                not any(part.isdigit() for part in path)
                and value_at(own, path) is None
                and value_at(state.preset.document.tables, path) is not None
            ):
                named[dotted_key(path)] = path
                continue
            others.append(setting)
        left = [dotted for dotted, path in named.items() if path not in stated]
        changed = (WITHOUT,) not in stated and left != own.get(WITHOUT, [])
        return [without_setting(left)] if changed else [], others

    def _whole_arrays(self, state: State, settings: Sequence[str]) -> list[str]:
        """Return settings that write inherited arrays of tables out: they can only be replaced whole."""
        own = tomllib.loads(state.text)
        wanted: dict[str, str] = {}
        for path, _ in map(_parted, settings):
            place = next((at for at, part in enumerate(path) if part.isdigit()), None)
            if place is None or value_at(own, path[:place]) is not None:
                continue
            value = value_at(state.preset.document.tables, path[:place])
            part = state.preset.parts.get(path[1]) if path[0] == "parts" and place > 2 else None
            if value is None and part is not None:
                # What a part does not state is that of the look it has.
                value = value_at(part.document.tables, path[2:place])
            if isinstance(value, list):
                dotted = ".".join(path[:place])
                wanted[dotted] = f"{dotted}={toml_text(value)}"
        return list(wanted.values())


def without_setting(keys: Sequence[str]) -> str:
    """Return the setting that names what a preset leaves out of what it extends."""
    return f"{WITHOUT}={toml_text(list(keys))}" if keys else f"{WITHOUT}="


def _parted(setting: str) -> tuple[KeyPath, str]:
    """Return the key of a setting, and its value."""
    dotted, _, value = setting.partition("=")
    return tuple(part.strip() for part in dotted.split(".")), value.strip()


def _choices_of(path: KeyPath) -> Sequence[Sequence[Sequence[str]]]:
    """Return the choices of keys, of which one alone can be made, in the table of a key."""
    inside = path[2:] if path[0] == "parts" and len(path) > 3 else path
    return {2: CHOICES, 3: _CHOICES}.get(len(inside), {}).get(inside[0], ())


def _choices_beside(path: KeyPath) -> Iterator[str]:
    """Yield the keys of the other choices where a key is of one: stating one of them takes its place."""
    for choices in _choices_of(path):
        if any(path[-1] in choice for choice in choices):
            yield from (key for choice in choices if path[-1] not in choice for key in choice)


def _put_away(text: str, settings: Sequence[str]) -> list[str]:
    """Return settings that take out what a text states beside a choice that settings make otherwise."""
    own = tomllib.loads(text)
    paths = dict(map(_parted, settings))
    beside = [
        (*path[:-1], key)
        for path, value in paths.items()
        if value and value != "false"
        for key in _choices_beside(path)
    ]
    gone = dict.fromkeys(path for path in beside if path not in paths and value_at(own, path) is not None)
    return [f"{'.'.join(path)}=" for path in gone]


def _together(text: str, tables: Mapping[str, Any], settings: Sequence[str]) -> list[str]:
    """Return settings of keys that say nothing alone: with the first comes the other, and goes with it."""
    own = tomllib.loads(text)
    paths = dict(map(_parted, settings))
    wanted: list[str] = []
    for path, value in paths.items():
        pair = _PAIRS.get(path[-2:], {})
        # What is inherited is left out together.
        there = own if value_at(own, path) is not None else tables
        for key, first in ((key, first) for key, first in pair.items() if key != path[-1]):
            other = (*path[:-1], key)
            if other in paths:
                continue
            if value and value_at(tables, other) is None:
                wanted.append(f"{'.'.join(other)}={toml_text(first)}")
            elif not value and value_at(there, other) is not None:
                wanted.append(f"{'.'.join(other)}=")
    return wanted


def _into_the_world(tables: Mapping[str, Any], settings: Sequence[str]) -> list[str]:
    """Return settings that let lamps stand in the world which settings give a place to be given from."""
    paths = dict(map(_parted, settings))
    # Of the light, of the whole picture or of a part, they alone are given from places.
    worlds = [
        (*path[:-1], "space")
        for path, value in paths.items()
        if "light" in path[:3:2] and path[-1] == "origin" and value
    ]
    return [
        f'{".".join(path)}="world"'
        for path in worlds
        if path not in paths and value_at(tables, path) != "world"
    ]


def toml_text(value: Any) -> str:
    """Return a plain value as TOML writes it on one line."""
    if isinstance(value, Mapping):
        inside = ", ".join(f"{_key(name)} = {toml_text(item)}" for name, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(toml_text(item) for item in value) + "]"
    return str(tomlkit.item(value).as_string())


def problems_of(error: HaloclineError) -> list[dict[str, Any]]:
    """Return the parts of an error, one for each mistake, for the page."""
    single = error.problems if isinstance(error, CollectedError) and error.problems else (error,)
    return [
        {
            "where": each.where or "",
            "key": list(each.key),
            "text": each.message,
            "fix": each.fix or "",
            "code": each.code,
        }
        for each in single
    ]


def _key(name: str) -> str:
    return str(tomlkit.key(name).as_string())


def value_at(tables: Any, path: KeyPath) -> Any:
    """Return what tables hold at a path, rows of arrays counted from 0; None where nothing."""
    for part in path:
        if isinstance(tables, Mapping) and part in tables:
            tables = tables[part]
        elif isinstance(tables, list) and part.isdigit() and int(part) < len(tables):
            tables = tables[int(part)]
        else:
            return None
    return tables
