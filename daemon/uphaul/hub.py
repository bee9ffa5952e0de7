"""Fan what the tick loop publishes out to outputs, each with a bounded queue, so that a slow one only loses its own.

Theory of operation. A `Hub` lives on one event loop. `publish` puts the item into the queue of every `Subscription`
and returns at once: it waits for nobody. A full queue drops its oldest item and counts it, because for a page or a
broker the newest reading is the one worth having. What must not be lost (the log, the journal of people's events)
has its own hand-over and never subscribes here. A subscription ends when it is closed, or when its hub is closed: what
is still queued is delivered first, then the iteration stops. Nothing here is safe to call from another thread.
"""

from __future__ import annotations

import asyncio
from collections import deque
from types import TracebackType
from typing import Generic, Self, TypeVar

__all__ = ["Hub", "Subscription"]

T = TypeVar("T")


class Subscription(Generic[T]):
    """One subscriber's queue: an async iterator over what was published since it was opened, the newest `maxlen` of it.

    `name` tells it apart in health reports; `dropped` counts the items it was too slow for.
    """

    def __init__(self, hub: Hub[T], name: str, maxlen: int) -> None:
        self.name = name
        self.dropped = 0
        self._hub = hub
        self._items: deque[T] = deque(maxlen=maxlen)
        self._changed = asyncio.Event()
        self._closed = False

    def __aiter__(self) -> Self:
        return self

    async def __anext__(self) -> T:
        while not self._items:
            if self._closed:
                raise StopAsyncIteration
            self._changed.clear()
            await self._changed.wait()
        return self._items.popleft()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    def close(self) -> None:
        """Take no more; an iteration in progress ends after what is queued. Closing twice does nothing."""
        self._closed = True
        self._changed.set()
        self._hub._forget(self)

    def _put(self, item: T) -> None:
        if len(self._items) == self._items.maxlen:
            self.dropped += 1
        self._items.append(item)
        self._changed.set()


class Hub(Generic[T]):
    """Where outputs subscribe. `dropped` sums the losses of all subscribers, those that have left included."""

    def __init__(self) -> None:
        self._subscriptions: list[Subscription[T]] = []
        self._dropped_before = 0
        self._closed = False

    @property
    def subscriptions(self) -> tuple[Subscription[T], ...]:
        """Those that are open, in the order they came."""
        return tuple(self._subscriptions)

    @property
    def dropped(self) -> int:
        """Items that any subscriber was too slow for since the hub was made."""
        return self._dropped_before + sum(s.dropped for s in self._subscriptions)

    def subscribe(self, maxlen: int, *, name: str = "") -> Subscription[T]:
        """Open a subscription that holds at most `maxlen` (>= 1) items. On a closed hub it ends at once.

        Raises ValueError for a `maxlen` below 1.
        """
        if maxlen < 1:
            raise ValueError(f"maxlen = {maxlen}: a subscription holds at least 1 item")
        subscription = Subscription(self, name, maxlen)
        self._subscriptions.append(subscription)
        if self._closed:
            subscription.close()
        return subscription

    def publish(self, item: T) -> None:
        """Give `item` to every open subscription; never waits. After `close` it goes nowhere."""
        for subscription in self._subscriptions:
            subscription._put(item)

    def close(self) -> None:
        """End every subscription after what it has queued."""
        self._closed = True
        for subscription in self.subscriptions:
            subscription.close()

    def _forget(self, subscription: Subscription[T]) -> None:
        if subscription in self._subscriptions:
            self._subscriptions.remove(subscription)
            self._dropped_before += subscription.dropped
