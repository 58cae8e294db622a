"""References are solved with one thread of linear algebra: on many cores, runs block each other otherwise."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from threadpoolctl import threadpool_limits


@pytest.fixture(autouse=True, scope="session")
def one_thread_of_linear_algebra() -> Iterator[None]:
    with threadpool_limits(1, user_api="blas"):
        yield
