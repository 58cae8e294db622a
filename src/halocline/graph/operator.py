"""What an operator is: one thing that water or its housing does to a picture.

An operator is built from validated parameters. It says which planes it reads and writes and how far around a
pixel it looks, prepares once a frame in float64, and is then applied to tiles of rows in float32, on several
threads at once. It must not keep anything between frames, change its input, or let a pixel's value depend on
the tile it was computed in.

Light comes in one of two forms: ``rgb`` (3 planes) or ``bands`` (one plane a spectral band). An operator that
deals with water reads and writes ``bands``; the engine converts where the form changes.

What else is to be known of an operator stands on its class: where in the chain it belongs, which layer its
light goes to, which keys of a preset's sections it obeys. Nothing elsewhere knows operators by name.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from enum import Enum, IntEnum
from typing import TYPE_CHECKING, Any, ClassVar, Generic, TypeAlias, TypeVar, cast

from halocline._typing import F32, F64
from halocline.graph.planes import Plane
from halocline.graph.shot import Shot
from halocline.imaging.frame import Window
from halocline.late_dataclass import dataclass
from halocline.physics.path.transport import LightPath
from halocline.quantities import Strict

if TYPE_CHECKING:
    from halocline.physics.floating.turbid_view import BodiesInLight

Planes = Mapping[str, F32]

# The reach of an operator that needs the whole picture at once.
WHOLE = 1 << 30

P = TypeVar("P", bound=Strict)
# What an operator's `prepare` returns.
T = TypeVar("T")


class Stage(IntEnum):
    """Where in the chain an operator belongs, in the order in which light meets things.

    A preset may put steps in any order; ``preset check`` remarks on one that works on the wrong light. Steps
    of one stage may come in any order.
    """

    ANYWHERE = 0
    """It has no place of its own: it finds by itself what it needs, or works on whole pictures."""
    SUBJECT_LIGHT = 1
    """Lights the subject, moves it, or shows what lies behind it, before any water is in the way."""
    ATTENUATION = 2
    """Takes light on the way to the lens."""
    LAMP_HAZE = 3
    """Adds what lamps light of the water."""
    VEIL = 4
    """Adds what daylight lights of the water."""
    SHAFTS = 5
    """Makes that light uneven."""
    FLOATING = 6
    """Draws what floats in the water, with water before and behind it."""
    LAYERS = 7
    """Bends the finished picture within the water."""
    EXPOSURE = 8
    """Exposes and balances the picture."""
    PORT = 9
    """Bends it at the housing."""


class Source(Enum):
    """What a step may need to have anything to do."""

    SUN = "sun"
    LAMPS = "lamps"


class Undoing(Enum):
    """How what a step did is taken back, where the water is to be removed from finished frames."""

    TERM = "term"
    """By its operator's name: the look's water and light tell what it did. It is of a water's core."""
    KEYS = "keys"
    """By its own keys."""


@dataclass(frozen=True)
class PlaneUse:
    """Names of planes an operator works with.

    Attributes
    ----------
    reads
        Must be there.
    optional
        Are handed over where the picture has them.
    writes
        Are added or replaced (those that others take as optional, and those that nobody wants, may be left
        out); the rest pass through.
    adds
        Those of ``writes`` that hold light which the water threw in on the way: it is in the picture and did
        not come from the subject.
    added
        Whether to hand over all planes of such light that steps before it wrote; `Tile.added` names them.
    """

    reads: frozenset[str]
    writes: frozenset[str]
    optional: frozenset[str] = frozenset()
    adds: frozenset[str] = frozenset()
    added: bool = False


@dataclass(frozen=True)
class Drawn:
    """Planes that tell what a step draws in the water, laid over all that lies behind it.

    Attributes
    ----------
    cover
        What it covers of a pixel before what stands there.
    range_m
        Its mean range; empty where it fills the water and has none.
    """

    cover: str
    range_m: str = ""


@dataclass(frozen=True)
class Tile:
    """The part of the picture asked for, and the part handed over.

    Attributes
    ----------
    region
        Pixels to compute.
    window
        Pixels the input planes cover: the region and, for an operator with reach, as much around it as it
        asked for, ending at the picture's edge (where the operator repeats the edge pixels).
    wanted
        Names of the planes that anybody will ask for; None is all. The others need not be returned.
    added
        Names of the planes of light that the water threw in, for an operator that asked for them
        (`PlaneUse.added`), in an order that does not depend on that of the steps.
    """

    region: Window
    window: Window
    wanted: frozenset[str] | None = None
    added: tuple[str, ...] = ()

    def wants(self, name: str) -> bool:
        """Tell whether anybody will ask for a plane.

        Parameters
        ----------
        name
            Name of a plane that the operator writes.

        Returns
        -------
        bool
            Whether anybody does.
        """
        return self.wanted is None or name in self.wanted

    def trim(self, plane: F32) -> F32:
        """Cut the region out of a plane over the window.

        Parameters
        ----------
        plane
            ``(..., rows, columns)`` over the window.

        Returns
        -------
        F32
            ``(..., rows, columns)`` over the region, a view of the same memory.
        """
        rows, columns = self.window.slices_of(self.region)
        return plane[..., rows, columns]


@dataclass(frozen=True)
class RowsOf:
    """A picture by its rows, for who looks it over; several threads may ask at once.

    Attributes
    ----------
    planes
        Returns the planes over the rows from and to (not included), counted from the picture's first.
    together
        Rows that are computed together, from the first on: asked for in such pieces, or multiples of them,
        they cost least.
    """

    planes: Callable[[int, int], Planes]
    together: int


class Operator(ABC, Generic[P, T]):
    """Base of all operators: ``Operator[its parameters, what its prepare returns]``.

    ``Parameters`` is the model that validates this operator's keys in a preset.

    Attributes
    ----------
    inputs
        The roles of its inputs: the planes of the first are handed over under their own names, those of any
        other as ``ROLE/NAME``.
    stage
        Where in the chain it belongs.
    nothing_at
        Settings at which it changes nothing, to the bit: its own keys, and such of the preset's sections as
        ``story.veil_scale``. A value of None is a key left out. None where it has no such strength: what it
        does is one thing or nothing.
    layer
        Name of the separable layer that holds what it does to light; None is a layer named as the step.
        ``direct``, the subject's own light, takes up all that stands before it.
    whole
        Whether it does one thing to all light there is, whatever the light came from, as exposure and ports
        do: each layer then goes through it, and it has no layer of its own.
    once
        Whether it stands for all of the water, so that a second one would be a mistake.
    uses
        Keys of the preset's sections that it obeys, such as ``light.veil_brightness``. A preset that sets
        such a key without a step that uses it is told so.
    own_planes
        The planes of its own that it writes and `halocline.graph.planes` does not list.
    surveys
        Whether one of reach `WHOLE` does its work in two: it looks over the whole picture once (`survey`) and
        is then applied to tiles like any other, so that its result need not be held whole.
    surveys_rows
        Whether it looks it over some rows at a time (`survey_by_rows`), so that neither its input need be.
    parts_light
        Whether it tells the subject's own light from what the water threw in and reckons back what that was
        before the way. Any other change of the whole light would be taken for a subject's, and be made a sun:
        once there is such light, no step may come before this one that changes light and adds none of it.
    otherwise_since
        What came to look otherwise with a number of the preset format, by that number.
    one_way
        Whether it needs a camera that looks one way: it is refused in panoramas.
    undone
        How the removal of water takes back what it did; None where it does not.
    undoes
        Whether it is that removal: its key ``undo`` lists operators by name, and under the name of an
        operator that is undone by its keys it takes those.
    measured_from
        What photograph its keys can be fitted to, such as ``grid``; None for none.
    draws
        What it draws in the water, that may be samples of its own in a deep picture; None for nothing.
    begun
        Keys that a step of it is given where a person adds one and has said nothing yet: for an operator
        that has no defaults for some of its keys.
    """

    Parameters: ClassVar[type[Strict]]
    inputs: ClassVar[tuple[str, ...]] = ("picture",)
    stage: ClassVar[Stage] = Stage.ANYWHERE
    nothing_at: ClassVar[Mapping[str, Any] | None] = None
    layer: ClassVar[str | None] = None
    whole: ClassVar[bool] = False
    once: ClassVar[bool] = False
    uses: ClassVar[frozenset[str]] = frozenset()
    own_planes: ClassVar[tuple[Plane, ...]] = ()
    surveys: ClassVar[bool] = False
    surveys_rows: ClassVar[bool] = False
    parts_light: ClassVar[bool] = False
    otherwise_since: ClassVar[Mapping[int, str]] = {}
    one_way: ClassVar[bool] = False
    undone: ClassVar[Undoing | None] = None
    undoes: ClassVar[bool] = False
    measured_from: ClassVar[str | None] = None
    draws: ClassVar[Drawn | None] = None
    begun: ClassVar[Mapping[str, Any]] = {}

    def __init__(self, parameters: P) -> None:
        self.parameters = parameters

    @abstractmethod
    def planes(self) -> PlaneUse:
        """Return the planes that it reads and writes."""

    def idle(self, shot: Shot) -> bool:  # noqa: ARG002 - part of the protocol
        """Tell whether it would change nothing on this frame; it is then left out, to the bit.

        Parameters
        ----------
        shot
            The frame's surroundings.

        Returns
        -------
        bool
            False unless an operator says otherwise.
        """
        return False

    def reach(self, shot: Shot) -> int:  # noqa: ARG002 - part of the protocol
        """Return how many pixels around a pixel it needs: 0, a number, or `WHOLE`.

        Parameters
        ----------
        shot
            The frame's surroundings.

        Returns
        -------
        int
            Pixels to each side.
        """
        return 0

    def warnings(self, shot: Shot) -> tuple[str, ...]:  # noqa: ARG002 - part of the protocol
        """Return what a person should know of this frame, each in one line; the same on frames alike.

        Parameters
        ----------
        shot
            The frame's surroundings.

        Returns
        -------
        tuple[str, ...]
            Sentences; none unless an operator says otherwise.
        """
        return ()

    def stands_in_light(self, shot: Shot) -> BodiesInLight | None:  # noqa: ARG002 - part of the protocol
        """Return what it puts into the water that keeps light from all else.

        Parameters
        ----------
        shot
            The frame's surroundings, so far without any such.

        Returns
        -------
        BodiesInLight | None
            Nothing unless an operator says otherwise.
        """
        return None

    def of_other_frames(self, shot: Shot) -> tuple[str, ...]:  # noqa: ARG002 - part of the protocol
        """Return what a person should know of files that a step names and that tell nothing of this frame.

        It is asked of steps that do nothing on a frame too: that may be why.

        Parameters
        ----------
        shot
            The frame's surroundings.

        Returns
        -------
        tuple[str, ...]
            Sentences, the same on frames alike; none unless an operator says otherwise.
        """
        return ()

    def undrawn(self) -> Operator[P, T] | None:
        """Return what it does beside what it draws; None where that is all.

        Returns
        -------
        Operator | None
            An operator of the same parameters that draws nothing.
        """
        return None

    def even_at(self) -> Mapping[str, Any] | None:
        """Return settings at which it makes of two lights together what it makes of each; None where it does.

        What floats and what lies behind it are samples of their own in a deep picture, and elements are
        merged between them: their lights are added up after all steps.

        Returns
        -------
        Mapping[str, Any] | None
            Own keys and their values; None unless an operator says otherwise.
        """
        return None

    def of_scene(self) -> str | None:
        """Return what it finds in the picture of the whole scene, and would not find in one of an element.

        Returns
        -------
        str | None
            What that is, such as the floor of a layer; None unless an operator says otherwise.
        """
        return None

    def needs(self) -> frozenset[Source]:
        """Return the sources of light without which it has nothing to do.

        Returns
        -------
        frozenset[Source]
            Sources; none unless an operator says otherwise.
        """
        return frozenset()

    def absent(self, frame: float, fps: float) -> bool:  # noqa: ARG002 - part of the protocol
        """Tell whether the settings alone say that it is idle on a frame, whatever the frame shows.

        Such a frame depends on none of them: what begins at 1012 leaves 1011 up to date.

        Parameters
        ----------
        frame
            Frame number.
        fps
            Frames a second.

        Returns
        -------
        bool
            False unless an operator says otherwise.
        """
        return False

    def price(self, path: LightPath, axis: F64 | None = None) -> str | None:  # noqa: ARG002 - part of the protocol
        """Return in physical terms what it gives a subject beyond what the water would; None for nothing.

        Parameters
        ----------
        path
            The water with the story's remap.
        axis
            The lens's, unit, ``(3,)``, where it is known.

        Returns
        -------
        str | None
            A sentence, or None.
        """
        return None

    def per_litre(self) -> Mapping[str, float]:
        """Return how many things of each kind it scatters in a litre of water, for plots; none for most.

        Returns
        -------
        Mapping[str, float]
            Numbers by kind; none unless an operator says otherwise.
        """
        return {}

    def prepare(self, shot: Shot) -> T:  # noqa: ARG002 - part of the protocol
        """Return what `apply` needs for this frame; called once, before any tile.

        Parameters
        ----------
        shot
            The frame's surroundings.

        Returns
        -------
        T
            Anything; it is handed to every `apply` of this frame, and must not be changed there.
        """
        # An operator that prepares nothing is an Operator[..., None].
        return cast(T, None)

    def survey(self, planes: Planes, tile: Tile, shot: Shot, prepared: T) -> T:  # noqa: ARG002
        """Return what `apply` needs for this frame's tiles, from the whole picture (`surveys`).

        Called once, with everything over the whole picture, before any tile; it may split its own work over
        threads.

        Parameters
        ----------
        planes
            The planes it reads, over the whole picture, not to be changed.
        tile
            The whole picture.
        shot
            The frame's surroundings.
        prepared
            What `prepare` returned.

        Returns
        -------
        T
            What is handed to `apply` instead.
        """
        return prepared

    def survey_by_rows(self, rows: RowsOf, tile: Tile, shot: Shot, prepared: T) -> T:
        """Do as `survey` does, where the picture is computed some rows at a time, so as not to be held whole.

        Parameters
        ----------
        rows
            The picture, by its rows.
        tile, shot, prepared
            As `survey` takes them.

        Returns
        -------
        T
            The same to the bit. Unless an operator says otherwise, all rows are asked for at once.
        """
        return self.survey(rows.planes(0, tile.window.height), tile, shot, prepared)

    @abstractmethod
    def apply(self, planes: Planes, tile: Tile, shot: Shot, prepared: T) -> Planes:
        """Return the written planes over ``tile.region``.

        Parameters
        ----------
        planes
            The planes it reads, over ``tile.window``, not to be changed.
        tile
            Where; pixel coordinates are the picture's own.
        shot
            The frame's surroundings.
        prepared
            What `prepare` returned, or `survey` made of it.
        """


# Any operator, where its parameters do not matter.
AnyOperator: TypeAlias = Operator[Any, Any]
