"""Layout of a proof sheet: properties over all sorts of sessions."""

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from platebench.write.paper_page import GAP_ACROSS, GAP_DOWN, PAPERS, Box, Cell, Plan, plan_pages

sides = st.floats(20, 400)


@st.composite
def cells(draw):
    """A print with a caption that gets taller as it gets narrower, as wrapped words do."""
    words = draw(st.integers(2, 60))
    return Cell(draw(sides), draw(sides), lambda width: 3.0 * -(-words * 9 // int(width)))


def overlap(one: Box, other: Box) -> bool:
    return (
        one.left < other.right - 1e-6
        and other.left < one.right - 1e-6
        and one.top < other.bottom - 1e-6
        and other.top < one.bottom - 1e-6
    )


def boxes(page):
    return [box for placement in page for box in (placement.picture, placement.caption)]


@settings(max_examples=60, deadline=None)
@given(
    st.lists(cells(), min_size=1, max_size=40),
    st.sampled_from(sorted(PAPERS)),
    st.sampled_from([None, True, False]),
    st.integers(1, 20),
)
def test_any_session_lies_in_order_at_one_scale_inside_the_field(prints, paper, turn, per_page):
    plan = plan_pages(prints, PAPERS[paper], turn=turn, per_page=per_page)
    assert [p.index for page in plan.pages for p in page] == list(range(len(prints)))
    assert plan.reduction >= 1
    for page in plan.pages:
        assert page
        for placement in page:
            cell = prints[placement.index]
            assert placement.picture.width * plan.reduction == pytest.approx(cell.width)
            assert placement.picture.height * plan.reduction == pytest.approx(cell.height)
            caption = placement.caption
            assert caption.height == pytest.approx(cell.caption_height(placement.measure))
            assert caption.width == pytest.approx(placement.measure)
            assert caption.top > placement.picture.bottom
            assert caption.left == placement.picture.left
        for box in boxes(page):
            assert plan.field.top < box.top < box.bottom < plan.field.bottom
            assert plan.field.left < box.left < box.right < plan.field.right
        for one, other in itertools.combinations(boxes(page), 2):
            assert not overlap(one, other)
        for one, other in itertools.pairwise(page):
            beside = other.picture.left - one.caption.right >= GAP_ACROSS - 1e-6
            below = other.picture.top - one.caption.bottom >= GAP_DOWN - 1e-6
            assert beside or below


def same(count: int, width: float, height: float, caption: float = 7.0) -> list[Cell]:
    return [Cell(width, height, lambda _: caption) for _ in range(count)]


def test_a_4x5_is_half_as_long_as_an_8x10():
    pair = [Cell(101.6, 127.0, lambda _: 7.0), Cell(203.2, 254.0, lambda _: 7.0)]
    (page,) = plan_pages(pair, PAPERS["a4"]).pages
    small, large = (placement.picture for placement in page)
    assert large.height == pytest.approx(2 * small.height)
    assert large.width == pytest.approx(2 * small.width)


def test_reading_order_is_across_then_down():
    (page,) = plan_pages(same(12, 127, 101.6), PAPERS["a4"]).pages
    places = [(p.picture.bottom, p.picture.left) for p in page]
    assert places == sorted(places)


def test_plates_of_one_format_share_columns_whichever_way_they_lie():
    mixed = same(9, 127, 101.6)
    mixed[4] = Cell(101.6, 127, mixed[4].caption_height)
    (page,) = plan_pages(mixed, PAPERS["a4"]).pages
    columns = {round(p.picture.left, 6) for p in page}
    rows = {round(p.picture.bottom, 6) for p in page}
    assert len(columns) * len(rows) == 9


@pytest.mark.parametrize(("count", "pages"), [(1, 1), (12, 1), (13, 2), (40, 4), (200, 17)])
def test_pages_are_as_many_as_twelve_prints_a_page_need(count, pages):
    assert len(plan_pages(same(count, 127, 101.6), PAPERS["a4"]).pages) <= pages


def test_never_larger_than_life():
    plan = plan_pages(same(1, 82.55, 82.55), PAPERS["letter"])
    assert plan.reduction == 1
    assert plan.pages[0][0].picture.width == pytest.approx(82.55)


def shorter_side_up(plan: Plan) -> bool:
    return plan.paper.width < plan.paper.height


def test_the_sheet_turns_for_wide_plates():
    assert shorter_side_up(plan_pages(same(1, 101.6, 200), PAPERS["a4"]))
    assert not shorter_side_up(plan_pages(same(1, 254, 101.6), PAPERS["a4"]))
    assert shorter_side_up(plan_pages(same(1, 254, 101.6), PAPERS["a4"], turn=False))


def test_nothing_to_lay_out_is_refused():
    with pytest.raises(ValueError, match="no prints"):
        plan_pages([], PAPERS["a4"])


def test_a_caption_taller_than_the_page_is_refused():
    with pytest.raises(ValueError, match="taller than the page"):
        plan_pages(same(1, 100, 100, caption=500), PAPERS["a4"])


# ISO 216 states A4; ASME Y14.1 states 8.5 x 11 in, and 1 in = 25.4 mm by definition.
@pytest.mark.parametrize(
    ("name", "width", "height"), [("a4", 210, 297), ("letter", 8.5 * 25.4, 11 * 25.4)]
)
def test_papers_are_the_standards_sizes(name, width, height):
    paper = PAPERS[name]
    assert (paper.width, paper.height) == pytest.approx((width, height))
