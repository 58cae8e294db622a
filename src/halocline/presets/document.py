"""Preset files as tables: found, read, inherited from one another, with the place of every key remembered."""

from __future__ import annotations

import os
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np

from halocline.errors import HaloclineError, PresetError, did_you_mean
from halocline.files.regular import is_regular, read_text
from halocline.late_dataclass import dataclass
from halocline.presets.curves import is_curve
from halocline.presets.formats import number_of
from halocline.presets.lines import KeyOrigin, KeyPath, key_lines, line_of
from halocline.presets.renamed import OldWord, in_words_of_today, operators_of
from halocline.presets.sections import CHOICES, FORMAT, ORIGIN_CHOICES, ORIGIN_FOUND, PLACE_CHOICES, SECTIONS
from halocline.presets.without import WITHOUT, left_of

LARGEST_FILE_BYTES = 1 << 20
DEEPEST_NEST = 12
LONGEST_LINEAGE = 16
TOP_KEYS = ("format", "title", "notes", "extends", "without", "origins", "steps", "parts", *SECTIONS)
# Further folders that presets may extend from, separated as in PATH.
FOLDERS_VARIABLE = "HALOCLINE_PRESETS"


@dataclass(frozen=True)
class Document:
    """Merged tables of a preset and all that it extends.

    Attributes
    ----------
    name
        The preset's name: its file without ending.
    tables
        The tables, curves and all.
    origins
        File and line that gave each key.
    folder
        Folder of the preset file; files it names are found from here.
    lineage
        The files read, the most basic first.
    problems
        Mistakes that were found while reading.
    old_words
        Keys that were given by a former name.
    older
        Files of the lineage that state a former format: where, and which.
    """

    name: str
    tables: dict[str, Any]
    origins: Mapping[KeyPath, KeyOrigin]
    folder: Path
    lineage: tuple[str, ...] = ()
    old_words: tuple[OldWord, ...] = ()
    older: tuple[tuple[KeyOrigin, int], ...] = ()

    def origin(self, path: KeyPath) -> KeyOrigin:
        """Return what gave a key, or the nearest table around it."""
        for length in range(len(path), 0, -1):
            if path[:length] in self.origins:
                return self.origins[path[:length]]
        return KeyOrigin(self.name)

    def where(self, path: KeyPath) -> str:
        """Return file and line of a key, or of the nearest table around it, in words."""
        return str(self.origin(path))

    def problem(
        self,
        message: str,
        path: KeyPath,
        *,
        code: str,
        fix: str | None = None,
        section: KeyPath = (),
    ) -> PresetError:
        """Return a mistake at a key, with its place in words and as data.

        Parameters
        ----------
        message, code, fix
            As `HaloclineError`.
        path
            The key.
        section
            The table to name in the place as well, where the message does not.
        """
        file, line = self.origin(path)
        named = f", [{'.'.join(section)}]" if section else ""
        return PresetError(
            message, code=code, where=f"{self.where(path)}{named}", fix=fix, key=path, file=file, line=line
        )

    def located(self, error: HaloclineError, path: KeyPath, *, section: KeyPath = ()) -> HaloclineError:
        """Return an error from elsewhere with the place of the key that it comes from put before its own."""
        file, line = self.origin(path)
        named = f", [{'.'.join(section)}]" if section else ""
        return error.located(f"{self.where(path)}{named}", key=path, file=file, line=line)


def shipped_folder() -> Path:
    """Return the folder of the presets that ship: in the installed package, else in the source tree.

    Returns
    -------
    Path
        A folder that is there.
    """
    packed = Path(str(files("halocline") / "shipped_presets"))
    return packed if packed.is_dir() else Path(__file__).parents[3] / "presets"


def shipped_names() -> list[str]:
    """Return the names of all presets that ship, sorted.

    Returns
    -------
    list[str]
        Names without the ending.
    """
    return sorted(path.stem for path in shipped_folder().glob("*.toml"))


def read_document(preset: str | os.PathLike[str], *, text: str | None = None) -> Document:
    """Read a preset file, or the shipped preset of that name, and all that it extends.

    Parameters
    ----------
    preset
        File or name.
    text
        What to take the file to hold, instead of what it holds.

    Raises
    ------
    PresetError
        ``E-PRESET-FIND``, ``-READ``, ``-TOML``, ``-FORMAT``, ``-EXTENDS``, ``-NEST``.
    """
    path = _found(os.fspath(preset))
    return _lineage_read(path, _allowed_folders(path), (), text)


def document_from_text(text: str, name: str = "text") -> Document:
    """Read a preset from its text; what it extends is looked for among the shipped ones.

    Parameters
    ----------
    text
        The preset.
    name
        What to call it in messages.

    Returns
    -------
    Document
        The preset's tables with what they inherit, and where each key stands.
    """
    own = _parsed(text, name, Path())
    return _inherited(own, {shipped_folder().resolve()}, (name,))


def document_at(text: str, path: Path) -> Document:
    """Read a preset from a text that is to stand at a path; nothing needs to be there.

    Parameters
    ----------
    text
        The preset.
    path
        Where it is to stand: what it extends is looked for from there.

    Returns
    -------
    Document
        The preset's tables with what they inherit, and where each key stands.

    Raises
    ------
    PresetError
        As `read_document`.
    """
    own = replace(_parsed(text, path.name, path.parent), name=path.name)
    return _inherited(own, _allowed_folders(path), (str(path.resolve()),))


def preset_path(preset: str | os.PathLike[str]) -> Path:
    """Return the file of a preset, given by path or by the name of a shipped one.

    Parameters
    ----------
    preset
        A path, or a name.

    Returns
    -------
    Path
        A file that is there.

    Raises
    ------
    PresetError
        ``E-PRESET-FIND``.
    """
    return _found(os.fspath(preset))


def with_overrides(document: Document, overrides: Iterable[str]) -> Document:
    """Return a document with single keys set: ``"light.sun_elevation=20"``, as on the command line.

    Raises
    ------
    PresetError
        ``E-PRESET-SET`` where an override is not of that form.
    """
    for override in overrides:
        dotted, equals, text = override.partition("=")
        path = tuple(part.strip() for part in dotted.split("."))
        if not equals:
            raise _sets_nothing(override, "--set")
        document = _with_key(document, path, _value(text.strip()), override, "--set")
    return document


def with_settings(document: Document, settings: Mapping[str, Any]) -> Document:
    """Return a document with keys set to values: ``{"light.sun_elevation": 20}``, or tables within tables.

    None takes a key out, back to its default.

    Raises
    ------
    PresetError
        ``E-PRESET-SET`` where a key cannot be set.
    """
    for dotted, value in settings.items():
        if not isinstance(dotted, str):
            raise _sets_nothing(repr(dotted), "with_settings")
        document = _with_key(document, tuple(dotted.split(".")), _plain(value), dotted, "with_settings")
    return document


def _plain(value: Any) -> Any:
    """Return a value as a preset's text would give it: whole tables, lists, plain numbers."""
    if isinstance(value, Mapping):
        return {key: _plain(item) for key, item in value.items()}
    if isinstance(value, np.generic | np.ndarray):
        return value.tolist()
    return [_plain(item) for item in value] if isinstance(value, list | tuple) else value


def _with_key(document: Document, path: tuple[str, ...], value: Any, told: str, how: str) -> Document:
    if not all(path) or path[0] in ("format", "extends", WITHOUT):
        raise _sets_nothing(told, how)
    # Tables that come to be with the key were set here too.
    origin = KeyOrigin(f"{how} {told}")
    inner: dict[KeyPath, KeyOrigin] = {}
    through = through_list(document.tables, path, value)
    if through is not None:
        path, value, one = through
        # The other items keep the places that they have.
        inner = {key: at for key, at in document.origins.items() if key[: len(path)] == path != key}
        inner[one] = origin
    nested: Any = value
    for part in reversed(path):
        nested = {part: nested}
    nested, places, old = in_words_of_today(nested, {path: origin}, document.tables)
    *_, path = places
    around = {path[:length]: origin for length in range(1, len(path))}
    tables = _without_key(document.tables, path) if value is None else laid_over(document.tables, nested)
    return replace(
        document,
        tables=tables,
        origins=_laid_over_origins({**around, **document.origins}, places, nested) | inner,
        old_words=(*document.old_words, *old),
    )


def through_list(
    tables: Mapping[str, Any], path: Sequence[str], value: Any
) -> tuple[KeyPath, list[Any], KeyPath] | None:
    """Return how a key of a list's item is set: the list's key, the new list, the key with the item's place.

    Parameters
    ----------
    tables
        A preset's tables.
    path
        The key; an item is said by its ``name``, or by its number from 0.
    value
        What is set; None takes the key out.

    Returns
    -------
    tuple[KeyPath, list[Any], KeyPath] | None
        None where the key is in no item of a list that is there.
    """
    found: Any = tables
    for length, part in enumerate(path):
        if isinstance(found, list):
            place = item_place(found, part)
            rest = tuple(path[length + 1 :])
            if place is None or not rest or not isinstance(found[place], Mapping):
                return None
            deeper = through_list(found[place], rest, value)
            key, held = (rest, value) if deeper is None else deeper[:2]
            whole = list(found)
            whole[place] = (
                _without_key(found[place], key) if held is None else _with_value(found[place], key, held)
            )
            before = tuple(path[:length])
            return before, whole, (*before, str(place), *(rest if deeper is None else deeper[2]))
        found = found.get(part) if isinstance(found, Mapping) else None
    return None


def item_place(items: Sequence[Any], part: str) -> int | None:
    """Return the place in a list of the item of a name, or of a number from 0; None where there is none."""
    named = [
        place for place, item in enumerate(items) if isinstance(item, Mapping) and item.get("name") == part
    ]
    if len(named) == 1:
        return named[0]
    return int(part) if part.isdigit() and int(part) < len(items) else None


def _with_value(table: Mapping[str, Any], path: Sequence[str], value: Any) -> dict[str, Any]:
    if len(path) == 1:
        return {**table, path[0]: value}
    inner = table.get(path[0])
    return {
        **table,
        path[0]: _with_value(inner if isinstance(inner, Mapping) else {}, path[1:], value),
    }


def _without_key(tables: Mapping[str, Any], path: tuple[str, ...]) -> dict[str, Any]:
    kept = dict(tables)
    if len(path) == 1:
        kept.pop(path[0], None)
    elif isinstance(kept.get(path[0]), Mapping):
        kept[path[0]] = _without_key(kept[path[0]], path[1:])
    return kept


def _sets_nothing(told: str, how: str) -> PresetError:
    return PresetError(
        f"{told!r} sets nothing",
        code="E-PRESET-SET",
        where=how,
        fix="Write SECTION.KEY=VALUE, for example light.sun_elevation=20."
        if how == "--set"
        else 'Name a key of a section, for example {"light.sun_elevation": 20}.',
    )


def laid_over(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return a preset's tables with another's laid over them; a choice made anew replaces the old one."""
    return merged(_without_choices_made_anew(base, over), over)


def _without_choices_made_anew(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables of a preset, or of a part, without the choices that those laid over them make anew."""
    kept = dict(base)
    for section, groups in CHOICES.items():
        kept[section] = _without_other_choices(kept.get(section), over.get(section), groups)
    for tables, choices in (("steps", PLACE_CHOICES), ("origins", ORIGIN_CHOICES)):
        old, new = kept.get(tables), over.get(tables)
        if isinstance(old, Mapping) and isinstance(new, Mapping):
            kept[tables] = {
                name: _without_other_choices(table, new.get(name), choices) for name, table in old.items()
            }
    parts, new_parts = kept.get("parts"), over.get("parts")
    if isinstance(parts, Mapping) and isinstance(new_parts, Mapping):
        kept["parts"] = {
            name: _without_other_choices(
                _without_choices_made_anew(part, new_parts[name]), new_parts[name], PLACE_CHOICES
            )
            if isinstance(part, Mapping) and isinstance(new_parts.get(name), Mapping)
            else part
            for name, part in parts.items()
        }
    return {key: value for key, value in kept.items() if value is not None}


def _without_other_choices(old: Any, new: Any, groups: Sequence[Sequence[Sequence[str]]]) -> Any:
    """Return a table without the keys of choices that a table laid over it makes anew."""
    if not (isinstance(old, Mapping) and isinstance(new, Mapping)):
        return old
    gone = {key for choices in groups for key in _put_away(choices, new)}
    return {key: value for key, value in old.items() if key not in gone}


def _put_away(choices: Sequence[Sequence[str]], new: Mapping[str, Any]) -> set[str]:
    """Return the keys of the choices that a table does not make, where it makes another."""
    made = [choice for choice in choices if any(key in new for key in choice)]
    if made == [ORIGIN_FOUND]:
        # What was found of a place is no other place.
        return set()
    return {key for choice in choices if made and choice not in made for key in choice}


def merged(base: Mapping[str, Any], over: Mapping[str, Any]) -> dict[str, Any]:
    """Return tables with others laid over them, key by key.

    Curves and arrays are replaced whole. A step that changes its operator starts afresh.
    """
    result = dict(base)
    for key, value in over.items():
        old = result.get(key)
        both = isinstance(old, Mapping) and isinstance(value, Mapping)
        if not both or is_curve(old) or is_curve(value) or _changes_operator(old, value):
            result[key] = value
        else:
            result[key] = merged(old, value)  # type: ignore[arg-type]  # both are mappings here
    return result


def _changes_operator(old: Any, new: Any) -> bool:
    return "operator" in new and "operator" in old and new["operator"] != old["operator"]


def _found(preset: str) -> Path:
    path = Path(preset)
    if path.suffix == ".toml" or is_regular(path):
        if is_regular(path):
            return path
        raise PresetError(
            f"there is no preset file {preset}",
            code="E-PRESET-FIND",
            fix="Check the path, or give the name of a shipped preset (halocline preset list)."
            f"{did_you_mean(path.stem, shipped_names())}",
        )
    return _shipped(preset)


def _shipped(preset: str) -> Path:
    names = shipped_names()
    if preset in names:
        return shipped_folder() / f"{preset}.toml"
    raise PresetError(
        f'no preset is called "{preset}"',
        code="E-PRESET-FIND",
        fix=f"halocline preset list shows all that ship.{did_you_mean(preset, names)}",
    )


def _allowed_folders(path: Path) -> set[Path]:
    """Return the folders a preset may reach: its own, the shipped ones, and those the user names."""
    return {folder.resolve() for folder in (path.parent, shipped_folder(), *named_folders())}


def named_folders() -> tuple[Path, ...]:
    """Return the further folders that the user lets presets use, from the environment."""
    named = os.environ.get(FOLDERS_VARIABLE, "")
    return tuple(Path(folder) for folder in named.split(os.pathsep) if folder)


@dataclass(frozen=True)
class _Own:
    """One file by itself."""

    name: str
    tables: dict[str, Any]
    origins: dict[KeyPath, KeyOrigin]
    folder: Path

    @property
    def older(self) -> tuple[tuple[KeyOrigin, int], ...]:
        """Where it states a former format, and which."""
        number = number_of(self.tables)
        if number is None or number == FORMAT:
            return ()
        return ((self.origins.get(("format",), KeyOrigin(self.name)), number),)

    def where(self, path: KeyPath) -> str:
        """Return file and line of a key at the top, or the file where it has none."""
        return str(self.origins.get(path, self.name))


def _lineage_read(path: Path, allowed: set[Path], seen: Sequence[str], text: str | None = None) -> Document:
    # Mistakes are told with the path; of a preset that ships, the user gave the name alone.
    shown = path.name if path.parent == shipped_folder() else str(path)
    own = replace(_parsed(preset_text(path) if text is None else text, shown, path.parent), name=path.name)
    return _inherited(own, allowed, (*seen, str(path.resolve())))


def _inherited(own: _Own, allowed: set[Path], seen: Sequence[str]) -> Document:
    parent, without = own.tables.pop("extends", None), own.tables.pop(WITHOUT, None)
    name = own.name.removesuffix(".toml")
    at_without = own.origins.get((WITHOUT,), KeyOrigin(own.name))
    if parent is None:
        left_of({}, {}, without, at_without, {})
        tables, origins, old = in_words_of_today(own.tables, own.origins, {})
        return Document(name, tables, origins, own.folder, (own.name,), old, own.older)
    path = _parent_path(parent, own, allowed)
    if str(path.resolve()) in seen or len(seen) >= LONGEST_LINEAGE:
        raise PresetError(
            f'"{parent}" extends, in the end, itself'
            if str(path.resolve()) in seen
            else f"more than {LONGEST_LINEAGE} presets extend one another",
            code="E-PRESET-EXTENDS",
            where=own.where(("extends",)),
            fix="Break the ring: one of them must stand by itself.",
        )
    base = _lineage_read(path, allowed, seen)
    # Title and notes describe one file; a child does not inherit them.
    inherited = {key: value for key, value in base.tables.items() if key not in ("title", "notes")}
    tables, origins, old = in_words_of_today(own.tables, own.origins, inherited)
    inherited, below, named = left_of(inherited, base.origins, without, at_without, operators_of(inherited))
    return Document(
        name,
        laid_over(inherited, tables),
        _laid_over_origins(below, origins, tables),
        own.folder,
        (*base.lineage, own.name),
        (*base.old_words, *old, *named),
        (*base.older, *own.older),
    )


def document_beside(document: Document, preset: str, at: KeyPath) -> tuple[Document, Path]:
    """Read a preset that another names by a key, as one that it extends is found; with the file it is in.

    Parameters
    ----------
    document
        The preset that names it.
    preset
        A name, or a path that starts at that preset's folder.
    at
        The key that names it.

    Raises
    ------
    PresetError
        As `read_document`, at that key.
    """
    allowed = {folder.resolve() for folder in (document.folder, shipped_folder(), *named_folders())}
    path = _named_path(preset, document.folder, allowed, document.where(at))
    return _lineage_read(path, allowed, ()), path.resolve()


def laid_over_document(
    base: Document, over: Mapping[str, Any], origins: Mapping[KeyPath, KeyOrigin]
) -> Document:
    """Return a document with tables laid over its own, whose keys have places of their own."""
    return replace(
        base,
        tables=laid_over(base.tables, over),
        origins=_laid_over_origins(base.origins, origins, over),
    )


def _laid_over_origins(
    base: Mapping[KeyPath, KeyOrigin], over: Mapping[KeyPath, KeyOrigin], tables: Mapping[str, Any]
) -> dict[KeyPath, KeyOrigin]:
    """Return the places of keys where tables are laid over others: what is replaced whole leaves none."""
    whole = {path for path in over if not isinstance(_at(tables, path), Mapping)}
    kept = {
        path: origin
        for path, origin in base.items()
        if not any(path[:length] in whole for length in range(1, len(path) + 1))
    }
    return {**kept, **over}


def _at(tables: Any, path: KeyPath) -> Any:
    for part in path:
        tables = tables.get(part) if isinstance(tables, Mapping) else None
    return tables


def _parent_path(parent: Any, own: _Own, allowed: set[Path]) -> Path:
    where = own.where(("extends",))
    if not isinstance(parent, str):
        raise PresetError(
            f"extends is {parent!r}, not the name of a preset",
            code="E-PRESET-EXTENDS",
            where=where,
            fix='Write extends = "jerlov-2", or a path to a .toml file.',
        )
    return _named_path(parent, own.folder, allowed, where)


def _named_path(parent: str, folder: Path, allowed: set[Path], where: str) -> Path:
    """Return the file of a preset that another names, where that may use it."""
    if not parent.endswith(".toml"):
        # A name without an ending is a look that ships, and never a file: it would tell what files there are.
        try:
            return _shipped(parent)
        except PresetError as error:
            raise error.located(where) from None
    try:
        path = (folder / parent).resolve()
    except (OSError, ValueError, RuntimeError):
        # A null character, a name of a million letters, a ring of links: wherever it leads, not there.
        path = Path("/")
    if not any(path.is_relative_to(each) for each in allowed):
        raise PresetError(
            f"{parent} lies outside the folders that presets may use",
            code="E-PRESET-EXTENDS",
            where=where,
            fix=f"Put it beside this preset, or name its folder in the variable {FOLDERS_VARIABLE}.",
        )
    if not is_regular(path):
        raise PresetError(
            f"there is no preset file {parent}", code="E-PRESET-EXTENDS", where=where, fix="Check the path."
        )
    return path


def preset_text(path: Path) -> str:
    """Return the text of a preset file.

    Parameters
    ----------
    path
        The file.

    Returns
    -------
    str
        Its text.

    Raises
    ------
    PresetError
        ``E-PRESET-READ`` where it is not a regular file of text, or larger than any preset.
    """
    try:
        return read_text(path, LARGEST_FILE_BYTES)
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else str(error)
        raise PresetError(
            f"the preset cannot be read: {reason or error}",
            code="E-PRESET-READ",
            where=str(path),
            fix="A preset is a text file (TOML, UTF-8). Check the file.",
        ) from error


def _parsed(text: str, name: str, folder: Path) -> _Own:
    try:
        tables = tomllib.loads(text)
    except (tomllib.TOMLDecodeError, RecursionError, ValueError) as error:
        raise PresetError(
            f"this is not valid TOML: {error}",
            code="E-PRESET-TOML",
            where=name,
            fix="See toml.io for the syntax.",
        ) from None
    _check_depth(tables, name)
    if (number := beyond_64_bits(tables)) is not None:
        raise PresetError(
            f"a whole number of {len(str(abs(number)))} digits is beyond 64 bits",
            code="E-PRESET-TOML",
            where=name,
            fix="Whole numbers in TOML go to 9223372036854775807; write a larger one as 1.0e20.",
        )
    lines = key_lines(text)
    origins = {path: KeyOrigin(name, line) for path, line in lines.items()}
    _check_format(tables, name, line_of(lines, ("format",)))
    return _Own(name, tables, origins, folder)


def _check_depth(tables: Any, name: str, depth: int = 0) -> None:
    if depth > DEEPEST_NEST:
        raise PresetError(
            f"tables are nested more than {DEEPEST_NEST} deep",
            code="E-PRESET-NEST",
            where=name,
            fix="Take brackets away: the deepest key of a preset, such as steps.NAME.wakes, needs 6.",
        )
    children = tables.values() if isinstance(tables, Mapping) else tables if isinstance(tables, list) else ()
    for child in children:
        _check_depth(child, name, depth + 1)


def beyond_64_bits(value: Any) -> int | None:
    """Return a whole number that TOML has no room for, where there is one anywhere in a value.

    Source: TOML 1.0.0, "Integer": an integer that is not represented losslessly in 64 bits is an error.

    Parameters
    ----------
    value
        Anything that TOML can hold.

    Returns
    -------
    int | None
        The first such number, or None.
    """
    if isinstance(value, int):
        return None if -(2**63) <= value < 2**63 else value
    children = value.values() if isinstance(value, Mapping) else value if isinstance(value, list) else ()
    return next((found for found in map(beyond_64_bits, children) if found is not None), None)


def _check_format(tables: Mapping[str, Any], name: str, line: int | None) -> None:
    if number_of(tables) is not None:
        return
    found = tables.get("format")
    newer = isinstance(found, int) and found > FORMAT
    raise PresetError(
        "the preset has no format number" if found is None else f"format {found!r} is not known here",
        code="E-PRESET-FORMAT",
        where=str(KeyOrigin(name, line)),
        fix="A newer Halocline wrote it: use that version."
        if newer
        else f"Begin the file with: format = {FORMAT}",
    )


def _value(text: str) -> Any:
    """Read an override's value as TOML; what is no TOML value is taken as text."""
    try:
        value = tomllib.loads(f"value = {text}")["value"]
    except (ValueError, RecursionError):
        return text
    # As text it is told to be no number, with its key.
    return text if beyond_64_bits(value) is not None else value
