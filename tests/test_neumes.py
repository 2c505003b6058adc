"""Neume names against published tables, grouping and the order of heads."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from lxml import etree
from small_pages import SPACE, Writer

from neumary.gamut import signs_by_staff
from neumary.neumes import MEI_TYPES, group_neumes, mei_type, name_neume, name_of_mei_type
from neumary.pitch import resolve_pitches

P, V, L, ORI, Q, S = "punctum", "virga", "inclinatum", "oriscus", "quilisma", "stropha"
LIQ = "liquescent"
HEADS = [P, V, L, ORI, Q, S, LIQ, "oblique"]

# Compositions as in the plainchant tables of W3C SMuFL 1.4 and in guides to square notation;
# liquescents, pressus, virga strata, trigon: Catholic Encyclopedia (1911) vol. 10 s.v. "Neum".
PUBLISHED = [
    ("punctum", "", [P]),
    ("virga", "", [V]),
    ("punctum inclinatum", "", [L]),
    ("apostropha", "", [S]),
    ("oriscus", "", [ORI]),
    ("quilisma", "", [Q]),
    ("bivirga", "S", [V, V]),
    ("trivirga", "SS", [V, V, V]),
    ("bistropha", "S", [S, S]),
    ("tristropha", "SS", [S, S, S]),
    ("pes", "U", [P, P]),
    ("pes", "U", [P, V]),
    ("clivis", "D", [V, P]),
    ("epiphonus", "U", [P, LIQ]),
    ("cephalicus", "D", [P, LIQ]),
    ("scandicus", "UU", [P, P, V]),
    ("scandicus", "UU", [P, Q, V]),
    ("salicus", "UU", [P, ORI, V]),
    ("salicus", "SU", [P, ORI, V]),
    ("climacus", "DD", [V, L, L]),
    ("ancus", "DD", [V, L, LIQ]),
    ("torculus", "UD", [P, P, P]),
    ("pinnosa", "UD", [P, P, LIQ]),
    ("porrectus", "DU", ["oblique", "oblique", P]),
    ("porrectus liquescens", "DU", ["oblique", "oblique", LIQ]),
    ("scandicus liquescens", "UU", [P, P, LIQ]),
    ("pressus minor", "D", [ORI, P]),
    ("pressus maior", "SD", [V, ORI, P]),
    ("trigon", "SD", [P, P, P]),
    ("virga strata", "S", [V, ORI]),
    ("virga strata", "U", [V, ORI]),
    ("pes quassus", "U", [ORI, V]),
    ("scandicus flexus", "UUD", [P, P, V, P]),
    ("porrectus flexus", "DUD", ["oblique", "oblique", P, P]),
    ("torculus resupinus", "UDU", [P, "oblique", "oblique", P]),
    ("climacus resupinus", "DDU", [V, L, L, P]),
    ("pes subbipunctis", "UDD", [P, P, L, L]),
    ("virga subtripunctis", "DDD", [V, L, L, L]),
    ("virga praetripunctis", "UUU", [P, P, P, V]),
]
# By the naming rule (flexus, resupinus, sub-punctis): common practice, no source.
BY_RULE = [
    ("pes subtripunctis", "UDDD", [P, P, L, L, L]),
    ("scandicus subbipunctis", "UUDD", [P, P, V, L, L]),
    ("torculus resupinus flexus", "UDUD", [P] * 5),
    ("porrectus subbipunctis", "DUDD", ["oblique", "oblique", P, L, L]),
    ("porrectus flexus resupinus", "DUDU", [P] * 5),
]


@pytest.mark.parametrize(("name", "contour", "labels"), PUBLISHED + BY_RULE)
def test_name(name: str, contour: str, labels: list[str]) -> None:
    assert name_neume(contour, labels) == name


def test_the_table_is_wide_enough() -> None:
    assert len({name for name, _, _ in PUBLISHED + BY_RULE}) >= 30


def test_what_the_trade_does_not_name_has_no_name() -> None:
    assert name_neume("DUUDDD", [P] * 7) == ""


def test_contour_and_labels_must_fit() -> None:
    with pytest.raises(ValueError, match="does not fit"):
        name_neume("U", [P])


@given(
    st.text("UDS", max_size=6).flatmap(
        lambda c: st.tuples(
            st.just(c), st.lists(st.sampled_from(HEADS), min_size=len(c) + 1, max_size=len(c) + 1)
        )
    )
)
def test_every_contour_has_a_name_or_none(neume: tuple[str, list[str]]) -> None:
    name = name_neume(*neume)
    assert name == name.strip() and name == name.lower()


def test_mei_types_are_the_standards_list(standards) -> None:
    # MEI 5.1 att.neumeType, read from the schema itself
    tree = etree.parse(standards / "mei" / "mei-Neumes-5.1.rng")
    values = tree.xpath("//*[local-name()='choice'][*[local-name()='value']='pessubpunctis']/*/text()")
    listed = {value.strip() for value in values if value.strip()}
    assert set(MEI_TYPES.values()) == listed
    assert len(listed) == 20


def test_mei_types_go_there_and_back() -> None:
    for name, mei in MEI_TYPES.items():
        assert (mei_type(name), name_of_mei_type(mei)) == (mei, name)


@pytest.mark.parametrize(("name", "contour", "labels"), PUBLISHED)
def test_mei_type_of_a_form_has_the_contour_of_its_neume(name: str, contour: str, labels: list[str]) -> None:
    plain = {
        "pes": "U",
        "clivis": "D",
        "scandicus": "UU",
        "climacus": "DD",
        "torculus": "UD",
        "porrectus": "DU",
    }
    kind = mei_type(name)
    if kind in plain and name != "salicus":
        assert contour[: len(plain[kind])] == plain[kind]


# Grouping ---------------------------------------------------------------------------------------


def _names(leaf: Writer) -> list[str]:
    readings, _ = resolve_pitches(*leaf.parts)
    return [neume.name for neume in group_neumes(leaf.staves, leaf.glyphs, readings)]


def test_beginnings_part_neumes() -> None:
    leaf = Writer().staff().clef("c", 4)
    leaf.notes(2).notes(3, starts_neume=0.1).notes(4).notes(3, 2, starts_neume=0.2)
    assert _names(leaf) == ["pes", "climacus"]


def test_a_wide_gap_parts_neumes_whatever_the_classifier_says() -> None:
    leaf = Writer().staff().clef("c", 4).notes(2)
    leaf.sign("punctum", 3, col=leaf.glyphs[-1].col + 3 * SPACE, starts_neume=0.1)
    assert _names(leaf) == ["punctum", "punctum"]


def test_divisions_and_clefs_part_neumes() -> None:
    leaf = Writer().staff().clef("c", 4).notes(2).sign("division").notes(3, starts_neume=0.1)
    leaf.clef("c", 3).notes(3, starts_neume=0.1)
    assert _names(leaf) == ["punctum"] * 3


def test_a_flat_does_not_part_a_neume() -> None:
    leaf = Writer().staff().clef("c", 4)
    leaf.notes(4).sign("flat", 5, col=leaf._col - 12).sign("punctum", 5, col=leaf._col - 8, starts_neume=0.1)
    assert _names(leaf) == ["pes"]


def test_of_stacked_heads_the_lower_is_sung_first() -> None:
    # the rule of the pes (SMuFL 1.4: podatus lower, then upper)
    leaf = Writer().staff().clef("c", 4).sign("punctum", 4, col=200.0)
    leaf.sign("punctum", 2, col=203.0, starts_neume=0.1)
    neumes = group_neumes(*leaf.parts)
    assert [(n.name, n.contour, n.glyphs) for n in neumes] == [("pes", "U", ("g0003", "g0002"))]


def test_an_upper_head_clearly_to_the_left_is_sung_first() -> None:
    leaf = Writer().staff().clef("c", 4).sign("virga", 4, col=200.0)
    leaf.sign("punctum", 2, col=200.0 + 0.3 * SPACE, starts_neume=0.1)
    assert [n.contour for n in group_neumes(*leaf.parts)] == ["D"]


def test_every_head_belongs_to_one_neume() -> None:
    leaf = Writer().staff().clef("c", 4).notes(1, 2, 3, starts_neume=0.4).staff().notes(2, 2)
    heads = [glyph for neume in group_neumes(*leaf.parts) for glyph in neume.glyphs]
    assert sorted(heads) == ["g0002", "g0003", "g0004", "g0005", "g0006"]


def test_names_can_be_withheld() -> None:
    leaf = Writer().staff().clef("c", 4).notes(1)
    assert [n.name for n in group_neumes(*leaf.parts, names=False)] == [""]


def test_contour_without_pitch_comes_from_height() -> None:
    leaf = Writer().staff(lines=0, kind="staffless").sign("punctum", row=150.0)
    leaf.sign("punctum", row=140.0, starts_neume=0.0, col=116.0)
    leaf.sign("punctum", row=138.0, starts_neume=0.0, col=132.0)
    assert [n.contour for n in group_neumes(*leaf.parts)] == ["US"]


@pytest.mark.leaves
def test_order_of_heads_on_a_real_leaf(scans) -> None:
    """Every neume a person read on a real leaf has its heads in the order we would sing them."""
    from neumary.truth import load_truth

    page = load_truth(scans / "antiphoner_f001r.truth.json")
    place = {}
    for signs in signs_by_staff(page.staves, page.glyphs, page.readings).values():
        place |= {sign.glyph.id: i for i, sign in enumerate(signs)}
    disordered = [
        n.id for n in page.neumes if [place[g] for g in n.glyphs] != sorted(place[g] for g in n.glyphs)
    ]
    assert disordered == []
