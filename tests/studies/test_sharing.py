"""Who does the parts of a study: this process, or several that feed a graphics card."""

from contextlib import nullcontext

import pytest

from facetrace.studies import sharing


class Pool:
    """In place of processes; remembers that it was asked."""

    asked = 0

    def __init__(self, count):
        assert count >= 1

    def __enter__(self):
        return self

    def __exit__(self, *_):
        pass

    def each(self, function, jobs):
        Pool.asked += 1
        return map(function, jobs)


@pytest.mark.parametrize(
    ("device", "seconds", "asked"), [("gpu", 100.0, 1), ("gpu", 1.0, 0), ("cpu", 100.0, 0)]
)
def test_much_work_for_a_card_is_shared_out(device, seconds, asked, monkeypatch):
    monkeypatch.setattr(Pool, "asked", 0)
    monkeypatch.setattr(sharing, "Workers", Pool)
    monkeypatch.setattr(sharing, "chosen_device", lambda: device)
    monkeypatch.setattr(sharing, "tracing_on", lambda _: nullcontext())
    assert list(sharing.each(str, [3, 1, 2], seconds)) == ["3", "1", "2"]
    assert Pool.asked == asked


def test_parts_hold_all_in_order(monkeypatch):
    items = list(range(10))
    assert sharing.parts(items, 4) == [[k] for k in items]
    monkeypatch.setattr(sharing, "chosen_device", lambda: "gpu")
    assert sharing.parts(items, 4) == [items[:4], items[4:8], items[8:]]
