"""The hub never waits for a subscriber, and says what each one missed."""

from __future__ import annotations

import asyncio

import pytest

from uphaul.hub import Hub, Subscription

DEADLINE_S = 5.0


async def rest(subscription: Subscription[int]) -> list[int]:
    async with asyncio.timeout(DEADLINE_S):
        return [item async for item in subscription]


@pytest.mark.asyncio
async def test_every_subscriber_gets_every_item_in_order() -> None:
    hub: Hub[int] = Hub()
    one, two = hub.subscribe(10), hub.subscribe(10)
    for item in range(5):
        hub.publish(item)
    hub.close()
    assert await rest(one) == await rest(two) == [0, 1, 2, 3, 4]


@pytest.mark.asyncio
async def test_a_slow_subscriber_loses_its_oldest_and_no_one_elses() -> None:
    hub: Hub[int] = Hub()
    slow, quick = hub.subscribe(2, name="slow"), hub.subscribe(100, name="quick")
    for item in range(10):
        hub.publish(item)
    assert (slow.dropped, quick.dropped, hub.dropped) == (8, 0, 8)
    hub.close()
    assert await rest(slow) == [8, 9]
    assert await rest(quick) == list(range(10))


@pytest.mark.asyncio
async def test_a_waiting_subscriber_is_woken_by_publish() -> None:
    hub: Hub[int] = Hub()
    subscription = hub.subscribe(1)
    waiting = asyncio.ensure_future(anext(subscription))
    await asyncio.sleep(0)
    assert not waiting.done()
    hub.publish(7)
    async with asyncio.timeout(DEADLINE_S):
        assert await waiting == 7


@pytest.mark.asyncio
async def test_a_waiting_subscriber_ends_when_the_hub_closes() -> None:
    hub: Hub[int] = Hub()
    waiting = asyncio.ensure_future(rest(hub.subscribe(1)))
    await asyncio.sleep(0)
    hub.close()
    assert await waiting == []


@pytest.mark.asyncio
async def test_publish_returns_while_nobody_reads() -> None:
    hub: Hub[int] = Hub()
    with hub.subscribe(1) as subscription:
        for item in range(100_000):
            hub.publish(item)
        assert subscription.dropped == 99_999


@pytest.mark.asyncio
async def test_a_closed_subscription_gets_nothing_more_and_its_losses_stay_counted() -> None:
    hub: Hub[int] = Hub()
    subscription = hub.subscribe(1)
    hub.publish(1)
    hub.publish(2)
    subscription.close()
    subscription.close()
    hub.publish(3)
    assert hub.subscriptions == ()
    assert hub.dropped == 1
    assert await rest(subscription) == [2]


@pytest.mark.asyncio
async def test_subscribing_to_a_closed_hub_ends_at_once() -> None:
    hub: Hub[int] = Hub()
    hub.close()
    assert await rest(hub.subscribe(1)) == []


@pytest.mark.asyncio
async def test_a_queue_of_nothing_is_refused() -> None:
    with pytest.raises(ValueError, match="maxlen = 0: a subscription holds at least 1"):
        Hub[int]().subscribe(0)
