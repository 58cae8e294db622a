"""Files that a preset names: found beside it, kept to the folders the user allows, known by their content."""

from __future__ import annotations

import hashlib
from functools import lru_cache
from pathlib import Path
from typing import Annotated, Any, ClassVar

from pydantic import BeforeValidator, PrivateAttr, ValidationInfo, WithJsonSchema, model_validator
from pydantic_core import PydanticCustomError

from halocline.files.regular import is_regular, read_regular
from halocline.quantities import Strict

# Pictures that are scattered through the water are seen small, and a camera is some numbers a frame.
LARGEST_BYTES = 1 << 28


class NamedFile(Strict):
    """A file that a preset names.

    Attributes
    ----------
    path
        The file; a relative path starts at the preset's folder.
    sha256
        Digest of its content. Left out by people; a resolved preset has it, so that another file under the
        same name is refused and not taken for it.
    """

    # What people call such a file.
    CALLED: ClassVar[str] = "file"

    path: str
    sha256: str = ""

    _place: Path = PrivateAttr(default=Path())

    @property
    def place(self) -> Path:
        """Where the file is."""
        return self._place

    @model_validator(mode="before")
    @classmethod
    def _known_by_content(cls, value: Any, info: ValidationInfo) -> Any:
        if not isinstance(value, dict) or not isinstance(value.get("path"), str):
            return value
        digest = cls.digest_of(_found(value["path"], info.context), value)
        if value.get("sha256", digest) not in ("", digest):
            raise file_problem(f"{value['path']} is not the {cls.CALLED} that the preset was resolved with")
        return {**value, "sha256": digest}

    @classmethod
    def digest_of(cls, place: Path, stated: dict[str, Any]) -> str:  # noqa: ARG003 - others need more than the file
        """Return the digest of a file's content.

        Parameters
        ----------
        place
            The file.
        stated
            All that the preset says of it.

        Returns
        -------
        str
            SHA-256 in hexadecimal.
        """
        return _digest(place, place.stat().st_mtime_ns, place.stat().st_size)

    def model_post_init(self, context: Any) -> None:
        """Remember where the file was found."""
        self._place = _found(self.path, context)


class MatteTrackFile(NamedFile):
    """A file that tells where a matte's thing was, as a preset names it."""

    CALLED: ClassVar[str] = "track"


class PictureFile(NamedFile):
    """A picture that a preset names."""

    CALLED: ClassVar[str] = "picture"


def path_alone(**others: dict[str, Any]) -> tuple[Any, ...]:
    """Return what makes of a named file's model a type that may be given as its path alone.

    Parameters
    ----------
    **others
        JSON Schema of what else may be said of it, by key.

    Returns
    -------
    tuple[Any, ...]
        For `typing.Annotated`.
    """
    own = {"path": {"type": "string"}, "sha256": {"type": "string"}}
    schema = {
        "anyOf": [
            {"type": "string"},
            {
                "type": "object",
                "properties": {**own, **others},
                "required": ["path"],
                "additionalProperties": False,
            },
        ],
        "description": "A file; a relative path starts at the preset's folder.",
    }
    return (
        BeforeValidator(lambda value: {"path": value} if isinstance(value, str) else value),
        WithJsonSchema(schema),
    )


# Each may be given as its path alone.
Picture = Annotated[PictureFile, *path_alone()]
AnyFile = Annotated[NamedFile, *path_alone()]
Track = Annotated[MatteTrackFile, *path_alone()]


def folders_context(folder: Path, others: tuple[Path, ...] = ()) -> dict[str, Any]:
    """Return the context of validation: a preset's folder, and others that the user allows it.

    Parameters
    ----------
    folder
        Where the preset stands.
    others
        Folders that the user allows besides.

    Returns
    -------
    dict[str, Any]
        What `pydantic` hands to the validators of paths.
    """
    return {"folder": folder.resolve(), "others": tuple(other.resolve() for other in others)}


def _found(name: str, context: Any) -> Path:
    """Return the file's place.

    Without a context the caller is code, not a preset from who knows where, and may name any file.
    """
    folder = context["folder"] if context else Path()
    try:
        place = (folder / name).resolve()
    except (OSError, ValueError, RuntimeError):
        raise file_problem(f"{name!r} is no path") from None
    if context and not any(place.is_relative_to(allowed) for allowed in (folder, *context["others"])):
        raise file_problem(f"{name} lies outside the folders that presets may use")
    if not is_regular(place):
        raise file_problem(f"there is no file {name}")
    return place


@lru_cache(maxsize=256)
def _digest(place: Path, modified_ns: int, size: int) -> str:  # noqa: ARG001 - a changed file is read anew
    try:
        return hashlib.sha256(read_regular(place, LARGEST_BYTES)).hexdigest()
    except OSError as error:
        raise file_problem(f"{place.name} cannot be read: {error.strerror or error}") from None


def file_problem(text: str) -> PydanticCustomError:
    """Return the error of a preset's key that names a file.

    Parameters
    ----------
    text
        What is wrong.

    Returns
    -------
    PydanticCustomError
        To be raised while the preset is validated.
    """
    # Braces would be taken for places to fill in.
    return PydanticCustomError("file", "{text}", {"text": text})
