from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from metercap.record.tiling import find_holes

stretches = st.lists(
    st.tuples(st.integers(1, 60), st.integers(0, 20)).map(lambda pair: (pair[0], sum(pair)))
)


def test_a_job_that_was_not_handed_in_is_a_hole() -> None:
    assert find_holes([(1, 33), (34, 66), (67, 99)]) == []
    assert find_holes([(67, 99), (1, 33)]) == [(34, 66)]
    assert find_holes([(34, 66)]) == [(1, 33)]
    assert find_holes([(1, 90), (34, 66), (91, 99)]) == []  # a job within another
    assert find_holes([]) == []


@given(stretches)
def test_holes_are_all_that_is_not_covered(found: list[tuple[int, int]]) -> None:
    covered = {entry for first, last in found for entry in range(first, last + 1)}
    missing = {entry for first, last in find_holes(found) for entry in range(first, last + 1)}
    assert missing == set(range(1, max(covered, default=0) + 1)) - covered
