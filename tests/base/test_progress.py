"""The bar that says how far something is."""

import pytest
from tqdm import auto

from trials.base import progress


class Bar:
    """What a bar was told, and how far it was when it was closed."""

    closed: list = []  # noqa: RUF012

    def __init__(self, total, **_):
        self.total, self.n = total, 0

    def update(self, more):
        self.n += more

    def close(self):
        Bar.closed.append((self.n, self.total))


@pytest.fixture
def bars(monkeypatch):
    monkeypatch.setattr(progress, "watched", lambda: True)
    monkeypatch.setattr(auto, "tqdm", Bar)
    monkeypatch.setattr(Bar, "closed", [])
    return Bar.closed


def test_a_bar_is_at_its_end_when_all_is_done(bars):
    with progress.under_way("Baking", 4) as done:
        done(3)
    assert bars == [(4, 4)]


def test_what_was_stopped_does_not_look_done(bars):
    def stopped():
        with progress.under_way("Baking", 4) as done:
            done(1)
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        stopped()
    assert bars == [(1, 4)]
