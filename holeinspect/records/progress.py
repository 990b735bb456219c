"""How far each photo is, told from the workers' threads to whoever watches."""

from __future__ import annotations

import asyncio
from collections import defaultdict
from collections.abc import AsyncIterator, Sequence
from contextlib import asynccontextmanager
from dataclasses import dataclass
from threading import Lock

from holeinspect.records.shapes import StepShown


@dataclass(frozen=True, slots=True, eq=False)
class _Watcher:
    loop: asyncio.AbstractEventLoop
    steps: asyncio.Queue[StepShown | None]


class Progress:
    """The latest step of each photo that is under way, and who watches it. Thread-safe."""

    def __init__(self) -> None:
        self._lock = Lock()
        self._latest: dict[int, StepShown] = {}
        self._watchers: dict[int, set[_Watcher]] = defaultdict(set)
        self._closed = False

    def tell(self, step: StepShown) -> None:
        """A photo has reached a step."""
        with self._lock:
            if step.state in ("measured", "failed"):
                self._latest.pop(step.photo, None)
            else:
                self._latest[step.photo] = step
            for watcher in self._watchers.get(step.photo, ()):
                watcher.loop.call_soon_threadsafe(watcher.steps.put_nowait, step)

    def tell_places(self, queued: Sequence[int]) -> None:
        """The queue has moved on; only watched photos are told."""
        with self._lock:
            watched = set(self._watchers)
        for place, photo in enumerate(queued, 1):
            if photo in watched:
                self.tell(StepShown(photo=photo, step="queued", state="queued", place_in_queue=place))

    def latest(self, photo: int) -> StepShown | None:
        """The step that a photo is at; None where it is not under way."""
        with self._lock:
            return self._latest.get(photo)

    @asynccontextmanager
    async def watch(self, photo: int) -> AsyncIterator[asyncio.Queue[StepShown | None]]:
        """A queue of the photo's steps from now on; None in it means that the service stops."""
        watcher = _Watcher(asyncio.get_running_loop(), asyncio.Queue())
        with self._lock:
            self._watchers[photo].add(watcher)
            if self._closed:
                watcher.steps.put_nowait(None)
        try:
            yield watcher.steps
        finally:
            with self._lock:
                self._watchers[photo].discard(watcher)
                if not self._watchers[photo]:
                    del self._watchers[photo]

    def close(self) -> None:
        """Send all watchers away."""
        with self._lock:
            self._closed = True
            for watcher in (watcher for watchers in self._watchers.values() for watcher in watchers):
                watcher.loop.call_soon_threadsafe(watcher.steps.put_nowait, None)
