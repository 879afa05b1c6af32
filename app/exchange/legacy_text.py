"""Which of the old one-byte encodings a text without any mark is in.

Logs are mostly ASCII with a name here and there, too little for the statistics of a language. What tells
the encodings apart is whether the few other characters make words. It stays a guess, is shown as one,
and can be overruled.
"""

from __future__ import annotations

import re
import unicodedata
from itertools import pairwise

# The letters that names and words of the encoding's languages use, beside ASCII. Ties go to the first.
_LETTERS = {
    "cp1252": "àâäáãåæçéèêëíìîïñóòôöõøúùûüÿß",
    "cp1250": "ąćęłńóśźżáčďéěíňřšťúůýžőűâăîşţäöüôĺľŕđßç",
    "cp1254": "çğıİöşüâîû",
    "cp1257": "āčēģīķļņšūžąęėįųõäöü",
    "cp1251": "абвгдежзийклмнопрстуфхцчшщъыьэюяёіїєґјљњћџђ",
    "cp1253": "αβγδεζηθικλμνξοπρστυφχψωάέήίόύώϊϋςΐΰ",
    "mac_roman": "àâäáãåæçéèêëíìîïñóòôöõøúùûüÿß",
    "latin_1": "",
}
_SIGNS = "“”„‘’‚–—…•·×½¼¾°²³«»\u00a0"  # Found beside words in any of them.
_VOWELS = "аеиоуыэюяёіїєαεηιουωάέήίόύώ"
_RUN = re.compile(r"[^\W\d_]*(?:[^\x00-\x7f]+[^\W\d_]*)+")


def likeliest(data: bytes) -> str:
    """The encoding in which the words of ``data`` look most like words."""
    telling = b"\n".join(line for line in re.split(rb"[\r\n]+", data) if not line.isascii())[:65_536]

    def strangeness(encoding: str) -> int:
        try:
            text = telling.decode(encoding)
        except UnicodeDecodeError:
            return 10**9
        return sum(_strangeness(run, _LETTERS[encoding]) for run in _RUN.findall(text))

    return min(_LETTERS, key=strangeness)


def _strangeness(run: str, expected: str) -> int:
    letters = [c for c in run if c.isalpha()]
    other = [c for c in letters if not c.isascii()]
    strange = sum(c.lower() not in expected for c in other)
    strange += 3 * sum(not c.isalpha() and not c.isascii() and c not in _SIGNS for c in run)
    strange += 2 * sum(a.islower() and b.isupper() for a, b in pairwise(run))
    alphabets = {unicodedata.name(c, "?").split()[0] for c in letters}
    strange += 3 * (len(alphabets) > 1)
    if alphabets == {"LATIN"}:
        strange += 3 * (len(other) >= 3 and 2 * len(other) > len(letters))
    elif len(other) >= 3:
        strange += 2 * (not any(c.lower() in _VOWELS for c in other))
    return strange
