"""Staves followed beyond the map, parted at gutters, combed on the map; on pictures and maps made by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from neumary.leaf_map import LeafMap
from neumary.staff_bands import Band
from neumary.staff_comb import count_lines, find_combs, lines_of
from neumary.staff_growth import column_reach, grow, met
from neumary.staff_gutters import each_once, part_at_gutters
from neumary.staff_lines import Course, InkStrips, ends, follow_rows
from neumary_models.leaf_outputs import REGIONS

STRIP, SPACE = 4, 16.0
LOWEST = 200.0
EMPTY = np.zeros((100, 270), np.float32)
NOWHERE = (np.inf, -np.inf)  # no other staff of the column reaches anywhere
NOTHING_SEEN = LeafMap(
    np.stack([EMPTY] * 3), EMPTY, EMPTY, EMPTY, EMPTY, np.stack([EMPTY] * len(REGIONS)), (3.0, 3.0)
)


def ink(width: int, spans: list[tuple[int, int]], slope: float = 0.0, n: int = 4) -> InkStrips:
    """Lines 3 pixels thick in stretches of columns, as strips."""
    page = np.zeros((300, width), np.float32)
    for left, right in spans:
        for col in range(left, right):
            for k in range(n):
                row = round(LOWEST - k * SPACE + slope * col)
                page[row - 1 : row + 2, col] = 120
    strips = page.T.reshape(width // STRIP, STRIP, -1).mean(axis=1)
    return InkStrips(np.ascontiguousarray(strips, dtype=np.float32), STRIP, 3.0)


def course(left: int, right: int, slope: float = 0.0, n: int = 4) -> Course:
    cols = (np.arange(left // STRIP, right // STRIP) + 0.5) * STRIP - 0.5
    rows = LOWEST - SPACE * np.arange(n)[:, None] + slope * cols
    return Course(cols, rows, np.ones(rows.shape, bool), SPACE, strength=100.0)


@pytest.mark.parametrize("n", [1, 2, 4, 5])
@pytest.mark.parametrize("slope", [0.0, 0.12, -0.12])
def test_a_staff_grows_to_the_end_of_its_lines_and_no_further(slope: float, n: int) -> None:
    strips = ink(800, [(80, 680)], slope, n)
    more = grow(strips, NOTHING_SEEN, course(280, 400, slope, n), [], NOWHERE)
    assert more is not None
    first, rows = more
    assert first * STRIP == pytest.approx(80, abs=2 * SPACE)
    assert (first + rows.shape[1]) * STRIP == pytest.approx(680, abs=2 * SPACE)
    cols = (np.arange(first, first + rows.shape[1]) + 0.5) * STRIP - 0.5
    inside = (cols > 80) & (cols < 680)
    off = rows - (LOWEST - SPACE * np.arange(n)[:, None] + slope * cols)
    assert np.abs(off[:, inside]).max() < 0.2 * SPACE


def test_a_staff_ends_where_its_lines_do() -> None:
    assert grow(ink(800, [(280, 400)]), NOTHING_SEEN, course(280, 400), [], NOWHERE) is None


def test_a_staff_does_not_grow_into_its_neighbour() -> None:
    strips = ink(800, [(80, 680)])
    one, other = course(80, 300), course(400, 680)
    more = grow(strips, NOTHING_SEEN, one, [one, other], NOWHERE)
    assert more is not None
    assert 300 < (more[0] + more[1].shape[1]) * STRIP <= 400 + STRIP


def test_other_lines_than_its_own_are_no_staff() -> None:
    """One line of four that runs on, such as a ruled one, does not draw the staff after it."""
    strips = ink(800, [(80, 400)])
    ruled = ink(800, [(400, 760)], n=1)
    assert (
        grow(replace(strips, total=strips.total + ruled.total), NOTHING_SEEN, course(80, 400), [], NOWHERE)
        is None
    )


@pytest.mark.parametrize(
    ("name", "others", "left"),
    [
        ("text", [], 400),
        ("music", [], 80),
        (
            "text",
            [(80, 500)],
            80,
        ),  # as far as the column reaches words are rubrics, and lines go on under them
        ("text", [(240, 500)], 240),
        ("text", [(80, 300)], 400),  # another column
        ("decoration", [(80, 500)], 400),  # strokes that fill up a row
    ],
)
def test_a_staff_does_not_grow_over_words(name: str, others: list[tuple[int, int]], left: int) -> None:
    """Words of a column beside it can stand as far apart as its lines."""
    region = NOTHING_SEEN.region.copy()
    region[REGIONS.index(name), :, : 400 // 3] = 1.0
    one = course(400, 500)
    column = [replace(other := course(*span), rows=other.rows + 90) for span in others]
    reach = column_reach(one, [one, *column])
    more = grow(ink(800, [(80, 680)]), replace(NOTHING_SEEN, region=region), one, column, reach)
    assert more is not None
    assert more[0] * STRIP == pytest.approx(left, abs=2 * SPACE)


def one_line_short(height: int) -> InkStrips:
    """Two lines of which the lower one is inked on the right only, on a picture so many rows high."""
    both, upper = ink(800, [(480, 680)], n=2), ink(800, [(80, 480)], n=2)
    upper.total[:, round(LOWEST) - 4 :] = 0
    return replace(both, total=np.ascontiguousarray((both.total + upper.total)[:, :height]))


def test_a_line_half_cut_off_by_the_edge_does_not_hold_its_staff_back() -> None:
    two = course(480, 680, n=2)
    assert (
        grow(one_line_short(300), NOTHING_SEEN, two, [], NOWHERE) is None
    )  # in full view, where it is missing
    more = grow(one_line_short(round(LOWEST) + 4), NOTHING_SEEN, two, [], NOWHERE)
    assert more is not None
    assert more[0] * STRIP == pytest.approx(80, abs=2 * SPACE)


def test_pieces_of_a_cut_staff_that_have_grown_together_are_one() -> None:
    """The right one has a line more, as the staff rises out of the picture's edge."""
    upper = replace(course(80, 400, n=2), cut=2)
    upper = replace(upper, rows=upper.rows[1:], seen=upper.seen[1:], cut=3)
    both = replace(course(404, 680, n=2), cut=2)
    (one,) = met([both, upper])
    assert one.rows.shape == (2, 150) and one.cut == 2
    assert np.diff(one.cols) == pytest.approx(STRIP)
    assert one.rows == pytest.approx(LOWEST - SPACE * np.arange(2)[:, None] + np.zeros(150))
    assert one.seen[1].mean() > 0.98 and not one.seen[0, :80].any() and one.seen[0, 82:].all()
    apart = replace(both, cols=both.cols + 2 * SPACE)
    assert len(met([upper, apart])) == 2
    lower = replace(both, rows=both.rows + SPACE / 2)
    assert len(met([upper, lower])) == 2
    assert len(met([replace(upper, cut=0), replace(both, cut=0)])) == 2  # whole ones part at gutters


def test_a_line_is_not_thought_on_over_the_edge_of_the_picture() -> None:
    two = course(80, 680, n=2)
    two.seen[0, :100] = False
    assert ends(two) == [(0, 150), (0, 150)]
    assert ends(two, height=300) == [(0, 150), (0, 150)]
    assert ends(two, height=round(LOWEST) + 4) == [(100, 150), (0, 150)]


def test_beyond_the_picture_no_line_is_seen() -> None:
    whole = ink(800, [(80, 680)], slope=0.02)
    strips = replace(whole, total=np.ascontiguousarray(whole.total[:, :208]))
    seen, _ = seen_and_band([30, 33, 36, 39], (30, 39), 1.0)
    found = follow_rows(strips, seen, course(80, 680, 0.02).rows, 80 // STRIP, SPACE)
    gone = found.rows[0] > 207.5
    assert gone.mean() > 0.3
    assert not found.there[0, gone].any()
    assert found.seen[0, ~gone].mean() > 0.6  # at the very edge it has no other side
    assert found.seen[1:].mean() > 0.9


def test_a_staff_is_parted_where_other_staves_have_a_gutter() -> None:
    over = course(80, 680)
    over.seen[:, 52:62] = False  # columns 288 to 328
    left, right = course(80, 290), course(330, 680)
    assert len(part_at_gutters([over, left, left, right, right])) == 6
    assert len(part_at_gutters([over, over, left, left, right, right])) == 8
    assert len(part_at_gutters([over, left, right])) == 3  # a single witness is none
    assert len(part_at_gutters([over, over, over])) == 3  # an initial, with no column beside it
    assert len(part_at_gutters([over, right, right])) == 3  # initials before which nothing stands
    next_column = course(720, 980)
    assert len(part_at_gutters([over, left, left, next_column])) == 4  # short staves beside a next column


def test_a_staff_that_runs_on_where_columns_touch_is_parted() -> None:
    """Three rows of the page show where the columns meet, though no gap is bare."""
    over = course(80, 680)
    rows = [(course(80, 372 + 4 * k), course(380 + 4 * k, 680)) for k in range(4)]
    pairs = [
        tuple(replace(one, rows=one.rows + 6 * SPACE * (k + 1)) for one in row) for k, row in enumerate(rows)
    ]
    whole = [one for row in pairs for one in row]
    parted = part_at_gutters([over, *whole])
    assert [len(part_at_gutters([over, *whole[:n]])) for n in (8, 6, 4)] == [10, 8, 5]  # two may be chance
    assert abs(parted[0].cols[-1] - 372) < 2 * STRIP and abs(parted[1].cols[0] - 372) < 2 * STRIP
    assert len(part_at_gutters([over, over, over, *whole[:6]])) == 9  # as many run across as meet
    aside = [replace(one, cols=one.cols - 150) for one in whole[4:6]]
    assert len(part_at_gutters([over, *whole[:4], *aside])) == 7  # they do not meet on one line


def test_initials_of_the_right_column_do_not_hide_where_columns_meet() -> None:
    over = course(80, 680)
    after_initials = [
        tuple(
            replace(one, rows=one.rows + 6 * SPACE * (k + 1))
            for one in (course(80, 372), course(380 + 5 * SPACE, 680))
        )
        for k in range(3)
    ]
    whole = [one for row in after_initials for one in row]
    parted = part_at_gutters([over, *whole])
    assert len(parted) == 8
    assert 372 - STRIP < parted[0].cols[-1] < 372 + 2 * SPACE  # at the left staves' ends, not behind initials
    short = [
        replace(one, rows=one.rows + 30 * SPACE) for one in (course(80, 372 - 4 * SPACE), course(380, 680))
    ]
    assert len(part_at_gutters([over, *whole, *short])) == 10  # a short left staff ends before the gutter
    apart = [replace(right, cols=right.cols + 5 * SPACE) for _, right in after_initials]
    lefts = [left for left, _ in after_initials]
    assert len(part_at_gutters([over, *lefts, *apart])) == 7  # far apart there is no meeting


def test_a_staff_found_twice_stays_once() -> None:
    whole, piece, below = course(80, 680), course(80, 300), course(80, 680)
    piece = replace(piece, rows=piece.rows[1:] + 2)
    below = replace(below, rows=below.rows + 5 * SPACE)
    beside = course(600, 780)
    assert each_once([piece, whole, below, beside]) == [whole, below, beside]
    lone, ruling, next_one = (course(80, 680, n=1) for _ in range(3))
    ruling = replace(ruling, rows=ruling.rows - 2 * SPACE, strength=30.0)
    next_one = replace(next_one, rows=next_one.rows + 5 * SPACE)
    assert each_once([ruling, lone, next_one]) == [lone, next_one]
    twins = [course(80, 680), course(80, 680)]
    assert each_once(twins)[0] is twins[0]


CELL_SPACE = 3.0


def seen_and_band(lines: list[float], votes: tuple[float, float], full: float) -> tuple[LeafMap, Band]:
    """A map that sees lines at some rows, and a band whose votes say where the outer lines are."""
    shape = (80, 200)
    rows = np.arange(shape[0], dtype=np.float32)[:, None] + np.zeros((1, shape[1]), np.float32)
    line = np.zeros(shape, np.float32)
    for row in lines:
        line = np.maximum(line, 0.75 * np.exp(-((rows - row) ** 2)))
    zeros = np.zeros(shape, np.float32)
    seen = LeafMap(
        np.stack([zeros] * 3), line, zeros, zeros, zeros, np.zeros((4, *shape), np.float32), (2.0, 2.0)
    )
    ends = [np.full(160, vote) for vote in votes]
    return seen, Band(20, ends[0], ends[1], np.ones(160), CELL_SPACE, full, 0.98)


@pytest.mark.parametrize(
    ("rows", "votes", "full"),
    [
        ([30, 33, 36, 39], (30, 39), 1.0),
        ([30, 33, 36, 39], (31.4, 40.4), 1.0),  # the votes half a space off
        ([30, 33, 36, 39, 42], (30, 40.5), 1.0),
        ([30, 33, 36], (29, 37), 1.0),
        ([30, 36], (30, 36), 0.0),
        ([36], (33, 36), 0.0),  # ruling above has drawn the votes up
        ([36], (36, 36), 0.0),
        ([30, 37], (29.6, 36.4), 0.6),  # taken for a full staff, but there is nothing between
    ],
)
def test_lines_are_counted_and_placed_where_the_map_sees_them(
    rows: list[float], votes: tuple[float, float], full: float
) -> None:
    seen, band = seen_and_band(rows, votes, full)
    combs = find_combs(seen, band)
    found, _ = lines_of(combs, *count_lines([combs]), band.space)
    assert found.mean(axis=1) == pytest.approx(sorted(rows, reverse=True), abs=0.3)


def test_a_worn_second_line_is_believed_among_pairs() -> None:
    whole = [find_combs(*seen_and_band([30, 36], (30, 36), 0.0)) for _ in range(4)]
    seen, band = seen_and_band([36], (30, 36), 0.0)
    seen.line[30] = 0.35
    worn = find_combs(seen, band)
    assert count_lines([worn]) == [1]
    assert count_lines([*whole, worn]) == [2] * 5


def test_two_lines_seen_alike_are_two_whatever_the_other_staves_have() -> None:
    lone = [find_combs(*seen_and_band([36], (36, 36), 0.0)) for _ in range(4)]
    seen, band = seen_and_band([30, 36], (30, 36), 0.0)
    assert count_lines([*lone, find_combs(seen, band)]) == [1, 1, 1, 1, 2]
    seen.line[29:32] *= 0.7
    assert count_lines([*lone, find_combs(seen, band)]) == [1] * 5


def test_a_line_that_is_not_seen_is_there_where_all_other_staves_have_it() -> None:
    whole = [find_combs(*seen_and_band([30, 33, 36], (30, 36), 1.0)) for _ in range(4)]
    seen, band = seen_and_band([30, 33, 36], (30, 36), 1.0)
    seen.line[32:35] = 0.0
    worn = find_combs(seen, band)
    assert worn.holed
    assert not worn.full
    assert count_lines([worn]) == [2]
    assert count_lines([*whole, worn]) == [3] * 5
    pairs = [find_combs(*seen_and_band([30, 36], (30, 36), 0.0)) for _ in range(2)]
    assert count_lines([*whole[:2], *pairs, worn]) == [3, 3, 2, 2, 2]


def test_of_two_lines_that_may_be_the_second_one_the_fifth_is_taken() -> None:
    """A ruled line that stands between the painted ones is clearer than one of them."""
    seen, band = seen_and_band([30, 32.2, 36], (30, 36), 0.0)
    seen.line[30] *= 0.8
    combs = find_combs(seen, band)
    assert combs.few[2] == pytest.approx([3, -3], abs=0.4)


def test_a_pair_among_ruling_is_no_full_staff_where_staves_are_pairs() -> None:
    pairs = [find_combs(*seen_and_band([30, 36], (30, 36), 0.0)) for _ in range(3)]
    seen, band = seen_and_band([30, 36], (28, 38), 1.0)
    for row in (27, 33, 39):  # ruling
        seen.line[row] = 0.25
    doubtful = replace(find_combs(seen, band), full=True)
    assert max(worth for worth, _ in doubtful.many.values()) < 1.9
    assert count_lines([*pairs, doubtful]) == [2] * 4
    assert count_lines([doubtful])[0] > 2
    full = [find_combs(*seen_and_band([30, 33, 36, 39], (30, 39), 1.0)) for _ in range(2)]
    assert count_lines([*pairs, *full]) == [2] * 3 + [4] * 2


def test_staves_of_a_column_tell_one_another_how_many_lines_they_have() -> None:
    """A staff whose fifth line is worn, below staves of five lines or of four, others beside it."""
    five = find_combs(*seen_and_band([39, 36, 33, 30, 27], (27, 39), 1.0))
    four = find_combs(*seen_and_band([39, 36, 33, 30], (30, 39), 1.0))
    seen, band = seen_and_band([39, 36, 33, 30], (28.5, 39), 1.0)
    seen.line[27] = 0.31
    worn = find_combs(seen, band)
    alone = worn.many[5][0] - worn.many[4][0]
    assert abs(alone) < 0.4
    right = (300, 460)
    fives, fours = [replace(five) for _ in range(4)], [replace(four) for _ in range(4)]
    beside = [replace(one, span=right) for one in fours]
    assert count_lines([worn, *fives, *beside]) == [5] * 5 + [4] * 4
    beside = [replace(one, span=right) for one in fives]
    assert count_lines([worn, *fours, *beside]) == [4] * 5 + [5] * 4
