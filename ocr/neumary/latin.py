"""Latin words into syllables, by rule.

Every word has as many syllables as vowels or diphthongs; a single consonant goes with the vowel after
it, doubled consonants are parted, and of any other group as much goes with the next vowel as can
begin a word (Allen and Greenough [1]_, section 7 with its first note, the practice of chant books:
*no-ster*, *san-ctus*, *o-mnis*). Diphthongs are *ae*, *oe*, *au*, and *eu*, *ei*, *ui* in a few words only
(sections 5 and 6). Scribes write *u* and *v*, *i* and *j* alike: *u* and *i* are consonants before a vowel at
the beginning of a word and between vowels, *u* after *q* and often after *g* and *s*.

References
----------
.. [1] J. B. Greenough, G. L. Kittredge, A. A. Howard, B. L. D'Ooge (eds.), Allen and Greenough's New Latin
   Grammar, Boston, 1903, sections 5-7.
"""

from __future__ import annotations

import re
import unicodedata
from itertools import pairwise
from typing import Final

_VOWELS: Final = frozenset("aeiouy")
_DIPHTHONGS: Final = frozenset({"ae", "oe", "au"})
_RARE_DIPHTHONGS: Final = {
    "eu": re.compile(r"^(eu(?!n|m$|s$)|heu|seu|neu|ceu)"),
    "ei": re.compile(r"^h?ei$"),
    "ui": re.compile(r"^(cui|huic|hui)"),
}
_HIATUS: Final = re.compile(r"(?:ae(?=l(?:is|i|em|e)?$))|(?:aer)|(?:oe(?=[mt]))")
"""Two vowels that look like a diphthong: Michael and Israel, aer, poema and poeta."""

_SILENT_U: Final = re.compile(r"(?<=q)u(?=[aeiouy])|(?<=ng)u(?=[aeiouy])|(?<=^s)u(?=a[duv]|e[st])")
_CONSONANT: Final = re.compile(
    r"^i(?=hes)|(?<=^in)[iu](?=[aeou])|(?<=^(?:ad|ab|ob))[iu](?=[aeou])|(?<=^(?:con|sub|per))[iu](?=[aeou])"
    r"|(?<=^(?:in|ad|ob))u(?=i)|(?<=^(?:con|per))u(?=i)|(?<=sal|ser|sil|par|ner|cer|pul)u(?=[aeiou])"
)
"""Consonants after a consonant: after a prefix (ad-iu-tor, in-ui-tat), and in some stems (ser-uus)."""

_DIGRAPHS: Final = frozenset({"ch", "ph", "th", "rh"})
_LIQUID: Final = frozenset("lr")
_MUTES: Final = frozenset({"b", "c", "d", "f", "g", "p", "t", "ch", "ph", "th"})
_BEGINNINGS: Final = frozenset(
    ("s", second) for second in ("p", "t", "c", "q", "m", "ch", "ph", "th", "k")
) | frozenset(
    {("g", "n"), ("p", "s"), ("p", "t"), ("c", "t"), ("m", "n"), ("p", "n"), ("b", "d"), ("ph", "th")}
)
_SEVERAL: Final = {"euouae": ("e", "u", "o", "u", "a", "e"), "evovae": ("e", "v", "o", "v", "a", "e")}
"""The vowels of "seculorum amen", written below a psalm tone's ending."""


def syllabify(word: str) -> list[str]:
    """Part a word into its syllables.

    Parameters
    ----------
    word : str
        Without spaces; hyphens that are written are kept to, and left out.

    Returns
    -------
    list of str
        At least one; joined they give the word without its hyphens. A word without a
        vowel, as abbreviations can be, is one syllable.

    Examples
    --------
    >>> syllabify("alleluia")
    ['al', 'le', 'lu', 'ia']
    >>> syllabify("sanctus")
    ['san', 'ctus']
    >>> syllabify("uocauit")
    ['uo', 'ca', 'uit']
    """
    written = [part for part in re.split(r"[-‐¬]", word) if part]
    if len(written) > 1:
        return written
    return _by_rule(written[0]) if written else [word]


def _by_rule(word: str) -> list[str]:
    plain = "".join(_plain(char) for char in word)
    core = plain.strip("'")
    if core in _SEVERAL and len(plain) == len(core):
        return _cut(word, [1, 2, 3, 4, 5])
    nuclei = _nuclei(plain)
    cuts = []
    for (_, before), (after, _) in pairwise(nuclei):
        cuts.append(after - _onset(plain[before:after]))
    return _cut(word, cuts)


def _plain(char: str) -> str:
    """One letter without accents, lower case; ligatures and the e with a tail count as e."""
    base = unicodedata.normalize("NFD", char)[0].casefold()[:1]
    return {"æ": "e", "œ": "e", "ę": "e", "j": "i", "v": "u"}.get(base, base)


def _cut(word: str, cuts: list[int]) -> list[str]:
    edges = [0, *cuts, len(word)]
    return [word[start:end] for start, end in pairwise(edges)]


def _nuclei(plain: str) -> list[tuple[int, int]]:
    """Vowels and diphthongs as (start, end), half-open."""
    mute = {match.start() for pattern in (_SILENT_U, _CONSONANT) for match in pattern.finditer(plain)}
    letters = re.search(r"[a-z]", plain)
    first = letters.start() if letters else 0
    vowels: list[int] = []
    for at, char in enumerate(plain):
        if char in _VOWELS and at not in mute:
            after_vowel = bool(vowels) and vowels[-1] == at - 1
            if not _is_consonant(plain, at, at == first, after_vowel):
                vowels.append(at)
    return _join_diphthongs(plain, vowels)


def _is_consonant(plain: str, at: int, is_first: bool, after_vowel: bool) -> bool:
    """Whether an i or u stands for j or v: before a vowel, at the beginning or between vowels."""
    before_vowel = at + 1 < len(plain) and plain[at + 1] in _VOWELS
    if not before_vowel or plain[at] not in "iuy":
        return False
    if is_first:
        return plain[at] != "y" and plain[at : at + 2] != "ii"
    if plain[at : at + 2] == "iu" and plain[at + 2 :][:1] in _VOWELS:
        return False  # intro-i-uit: the u is the consonant
    return after_vowel


def _join_diphthongs(plain: str, vowels: list[int]) -> list[tuple[int, int]]:
    nuclei: list[tuple[int, int]] = []
    hiatus = {match.start() for match in _HIATUS.finditer(plain)}
    for at in vowels:
        if nuclei and nuclei[-1] == (at - 1, at) and at - 1 not in hiatus:
            pair = plain[at - 1 : at + 1]
            rare = _RARE_DIPHTHONGS.get(pair)
            if pair in _DIPHTHONGS or (rare is not None and rare.match(plain)):
                nuclei[-1] = (at - 1, at + 1)
                continue
        nuclei.append((at, at + 1))
    return nuclei


def _onset(between: str) -> int:
    """How many of the letters between two vowels go with the second."""
    units = _units(between)
    if not units:
        return 0
    taken = [units[-1]]
    for unit in reversed(units[:-1]):
        pair = (_bare(unit), _bare(taken[0]))
        mute_liquid = pair[0] in _MUTES and pair[1] in _LIQUID and len(taken) == 1
        if not (mute_liquid or pair in _BEGINNINGS):
            break
        taken.insert(0, unit)
    return sum(map(len, taken))


def _bare(unit: str) -> str:
    return unit[0] if unit in ("qu", "gu") else unit


def _units(letters: str) -> list[str]:
    units: list[str] = []
    for char in letters:
        if units and (units[-1] + char in _DIGRAPHS or (units[-1] in ("q", "g") and char == "u")):
            units[-1] += char
        else:
            units.append(char)
    return units
