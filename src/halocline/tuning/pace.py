"""How fine first looks are and on how many threads they are made, as long as the last ones took."""

from __future__ import annotations

# Pixels of a first look: so that one is there at once for most looks, and soon for those that take long.
PIXELS, FEWER_PIXELS = 33_000, 16_000
# Seconds. Sooner done than this, work is not worth being shared: threads wait for their turns in Python.
_ALONE_S, _SHARED_S = 0.12, 0.06
# Nobody follows a key with his eyes that shows its picture later than this.
_LATE_S, _EARLY_S = 0.35, 0.12


class Pace:
    """What first looks are like, from how long they took. It changes no finished picture.

    Attributes
    ----------
    pixels
        At most so many.
    threads
        Threads; all processors where None.
    """

    def __init__(self) -> None:
        self.pixels: int = PIXELS
        self.threads: int | None = 1
        self._wanted_before: tuple[int | None, int] | None = None

    def took(self, seconds: float) -> None:
        """Note how long a first look took that was made so: work is shared first, then there is less of it.

        Two in a row count: one makes ready what others find. What is given is taken back only far below, so
        that pictures are not sharp and soft by turns.
        """
        (threads, pixels) = wanted = self._wanted(seconds)
        if wanted == self._wanted_before:
            self.threads, self.pixels = threads, pixels
        self._wanted_before = wanted

    def _wanted(self, seconds: float) -> tuple[int | None, int]:
        """Return what would suit a look that takes so long, made as it is now."""
        if self.threads == 1:
            return (None if seconds > _ALONE_S else 1), self.pixels
        if seconds > _LATE_S:
            return None, FEWER_PIXELS
        if seconds < _EARLY_S and self.pixels == FEWER_PIXELS:
            return None, PIXELS
        return (1 if seconds < _SHARED_S else None), self.pixels
