"""What every test relies on."""

from __future__ import annotations

import signal
from collections.abc import Iterator

import pytest


@pytest.fixture(autouse=True, scope="session")
def control_c() -> Iterator[None]:
    """Ctrl-C interrupts: in a program that a shell started in the background it would be ignored."""
    before = signal.signal(signal.SIGINT, signal.default_int_handler)
    yield
    signal.signal(signal.SIGINT, before)
