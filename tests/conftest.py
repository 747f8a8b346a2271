"""Order of the tests: those that start processes or use the real clock run last, alone."""

from __future__ import annotations

import pytest


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.get_closest_marker("process") is not None)
