"""Sound samples of many channels, long ones on the disk; those of one channel at a time take memory."""

from __future__ import annotations

from collections.abc import Iterator, MutableMapping

from emulator.track.into.marks import Sound
from emulator.track.on_disk import Shelf, let_go


class Samples(MutableMapping[str, Sound]):
    """Samples by signal; whichever is asked for, the memory of the others is let go of.

    Channels may share an array, of instants most of all.
    """

    def __init__(self, shelf: Shelf) -> None:
        self.shelf = shelf
        self._sound: dict[str, Sound] = {}

    def __getitem__(self, signal: str) -> Sound:
        """The signal's samples."""
        wanted = self._sound[signal]
        for sound in self._sound.values():
            let_go(sound.time_s, sound.values, sound.taken_s)
        return wanted

    def __setitem__(self, signal: str, sound: Sound) -> None:
        """Put a signal's samples. Raises StartFailed."""
        kept = self.shelf.kept
        self._sound[signal] = sound._replace(
            time_s=kept(sound.time_s), values=kept(sound.values), taken_s=kept(sound.taken_s)
        )

    def __delitem__(self, signal: str) -> None:
        """Take a signal away."""
        del self._sound[signal]

    def __contains__(self, signal: object) -> bool:
        """Whether there is such a signal."""
        return signal in self._sound

    def __iter__(self) -> Iterator[str]:
        """The signals."""
        return iter(self._sound)

    def __len__(self) -> int:
        """How many there are."""
        return len(self._sound)
