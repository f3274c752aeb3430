"""Words on a picture: never over each other, nor over what must be seen, and no verdict is dropped."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from clearance.view import looks
from clearance.view.layout import Ground, Rect, Wanted, arrange, legend_words, nearest_edge, nice_length

AREA: Rect = (10.0, 150.0, 1590.0, 1110.0)


def apart(a: Rect, b: Rect) -> bool:
    return a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1]


spot = st.tuples(st.floats(20, 1580), st.floats(160, 1100))
wish = st.builds(
    Wanted,
    anchor=spot,
    size=st.tuples(st.floats(60, 330), st.floats(24, 60)),
    may_drop=st.booleans(),
    inside=st.booleans(),
)


@settings(max_examples=60, deadline=None)
@given(st.lists(wish, min_size=1, max_size=22), st.lists(spot, max_size=6))
def test_nothing_overlaps_and_what_must_stay_stays(
    wanted: list[Wanted], marks: list[tuple[float, float]]
) -> None:
    taken = [(x - 17, y - 17, x + 17, y + 17) for x, y in marks]
    out = arrange(wanted, AREA, taken)
    placed = [r for r in out if r is not None]
    for one, rect in zip(wanted, out, strict=True):
        assert rect is not None or one.may_drop
    for i, a in enumerate(placed):
        assert a[0] >= AREA[0] - 1e-9
        assert a[1] >= AREA[1] - 1e-9
        assert a[2] <= AREA[2] + 1e-9
        assert a[3] <= AREA[3] + 1e-9
        for b in [*placed[:i], *taken]:
            assert apart(a, b)


def test_all_at_one_point_still_find_room() -> None:
    out = arrange([Wanted((800.0, 600.0), (220.0, 54.0)) for _ in range(12)], AREA)
    rects = [r for r in out if r is not None]
    assert len(rects) == 12
    assert all(apart(a, b) for i, a in enumerate(rects) for b in rects[:i])


def test_words_go_to_white_ground() -> None:
    taken = np.zeros((120, 160), dtype=bool)
    taken[:, :80] = True
    (rect,) = arrange([Wanted((795.0, 600.0), (120.0, 40.0))], AREA, (), Ground(taken, 10.0))
    assert rect is not None
    assert rect[0] >= 795.0


def test_a_sheet_with_no_room_keeps_what_must_be_kept() -> None:
    small: Rect = (0.0, 0.0, 200.0, 60.0)
    out = arrange(
        [
            Wanted((100.0, 30.0), (150.0, 50.0)),
            Wanted((90.0, 30.0), (150.0, 50.0)),
            Wanted((9.0, 9.0), (150.0, 50.0), True),
        ],
        small,
    )
    assert out[0] is not None
    assert out[1] is not None
    assert out[2] is None


def test_leader_ends_on_the_nearest_edge() -> None:
    assert nearest_edge((10, 10, 20, 20), (0, 15)) == (10, 15)
    assert nearest_edge((10, 10, 20, 20), (30, 30)) == (20, 20)


def test_scale_bars_are_round_lengths() -> None:
    assert [nice_length(x) for x in (0.7, 1.0, 4.9, 12.0, 260.0)] == [0.5, 1.0, 2.0, 10.0, 200.0]


def test_every_colour_of_the_path_keeps_its_words_on_a_small_sheet() -> None:
    """Six bands, letters half as wide as high: in full where there is room, else shorter or smaller."""

    def measure(text: str, size: float) -> tuple[float, float]:
        return 0.5 * size * len(text), size

    words = [band[1] for band in looks.BANDS]
    assert legend_words(words, 48.0, 1200.0, 1.0, measure) == (words, 17.0)
    shown, size = legend_words(words, 48.0, 850.0, 1.0, measure)
    assert len(shown) == len(words)
    assert size == 17.0
    assert sum(map(len, shown)) < sum(map(len, words))
    shown, size = legend_words(words, 48.0, 500.0, 1.0, measure)
    assert (len(shown), size) == (len(words), 13.0)
    assert set(looks.SHORT) <= set(words)
