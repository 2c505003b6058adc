"""Neume names against published tables, grouping and the order of heads."""

from __future__ import annotations

import re
from itertools import product

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


@pytest.mark.parametrize(
    ("contour", "name"),
    [
        # the rule carried on (our own wording, no source): rises after a fall, longer falls, repeated notes
        ("DUU", "porrectus resupinus"),
        ("DUUU", "porrectus bis resupinus"),
        ("UDUU", "torculus bis resupinus"),
        ("DUUDDD", "porrectus resupinus subtripunctis"),
        ("UDDDD", "pes subquadripunctis"),
        ("DDUU", "climacus bis resupinus"),
        ("USD", "pes-clivis"),
        ("SSUD", "bistropha-torculus"),
        ("SSS", "strophicus"),
        ("DS", "clivis-punctum"),
    ],
)
def test_the_rule_is_carried_on(contour: str, name: str) -> None:
    assert name_neume(contour, [P] * (len(contour) + 1)) == name


def test_repeated_virgae_and_a_shape_in_their_midst() -> None:
    assert name_neume("SSSS", [V] * 5) == "trivirga-bivirga"
    assert name_neume("S", [P, ORI]) == "punctum-oriscus"
    assert name_neume("SSD", [V, V, ORI, P]) == "bivirga-pressus minor"


def contours(most: int) -> list[str]:
    return ["".join(moves) for n in range(most + 1) for moves in product("UDS", repeat=n)]


def test_every_contour_of_one_to_eight_notes_has_a_name() -> None:
    assert [c for c in contours(7) if not name_neume(c, [P] * (len(c) + 1))] == []


def test_a_name_says_its_contour() -> None:
    """But for the length of a scandicus or climacus (three notes and more, SMuFL 1.4) or strophicus."""

    by_name: dict[str, set[str]] = {}
    for contour in contours(6):
        by_name.setdefault(name_neume(contour, [P] * (len(contour) + 1)), set()).add(contour)
    for name, found in by_name.items():
        kinds = {re.sub(r"(^|S)(U{2,}|D{2,})", lambda m: m[1] + m[2][:2], c) for c in found}
        assert len({re.sub("S{3,}", "SSS", c) for c in kinds}) == 1, (name, found)


def test_a_name_has_an_mei_type_only_from_the_list() -> None:
    named = {name_neume(c, [head] * (len(c) + 1)) for c in contours(6) for head in HEADS}
    assert {mei_type(name) for name in named} <= {*MEI_TYPES.values(), ""}
    assert set(MEI_TYPES) <= named | {name for name, _, _ in PUBLISHED}


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
