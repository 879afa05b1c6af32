"""What an exercise's name says: which main lift it trains, and which known name may be meant by it.

Guesses are proposals: the coach confirms a match, and nothing is merged because it looks alike.
"""

from __future__ import annotations

import difflib
import re
import unicodedata
from collections.abc import Collection, Sequence

# Words that people shorten in a log. Trade abbreviations only.
_SHORT = {
    "bb": "barbell",
    "bp": "bench press",
    "bw": "body weight",
    "cg": "close grip",
    "cgbp": "close grip bench press",
    "db": "dumbbell",
    "dl": "deadlift",
    "kb": "kettlebell",
    "ohp": "overhead press",
    "rdl": "romanian deadlift",
    "sldl": "stiff leg deadlift",
    "sq": "squat",
    "wtd": "weighted",
}
_JOINED = {
    "deadlifts": "deadlift",
    "squats": "squat",
    "benchpress": "bench press",
    "pullup": "pull up",
    "pullups": "pull up",
    "chinup": "chin up",
    "chinups": "chin up",
    "pushup": "push up",
    "pushups": "push up",
    "dips": "dip",
    "ups": "up",
}

# First match wins. A lift trains a main lift if its progress is read beside it: the variants done with a
# bar in the same pattern. Single-leg work and machines have their own loads and stand alone.
_MAIN_LIFTS: tuple[tuple[str, str, str], ...] = (
    # words any of which is there, words none of which may be there, main lift
    (
        r"\bsquat\b",
        r"\b(split|bulgarian|pistol|goblet|hack|jump|leg|sissy|overhead|belt|machine|dumbbell|kettlebell|air)\b",
        "squat",
    ),
    (
        r"\bbench\b",
        r"\b(row|pull|dip|step|jump|squat|machine|supported|dumbbell|kettlebell)\b",
        "bench press",
    ),
    (r"\bdead ?lift\b", r"\b(single|one|dumbbell|kettlebell|machine)\b", "deadlift"),
    (r"\bclean and jerk\b", r"(?!)", "clean and jerk"),
    (r"\bsnatch\b", r"\b(grip|pull|deadlift|balance|dumbbell|kettlebell)\b", "snatch"),
    (
        r"\b(overhead|strict|military|standing|push) press\b|^press$",
        r"\b(dumbbell|kettlebell|machine|incline|leg)\b",
        "overhead press",
    ),
)

# Moved share of body mass. [1] Push-up: mean of the static up and down position, men and women together,
# Mier et al. 2014 (67.0, 74.6, 65.1, 70.3 %). Pull-up, chin-up, dip: the whole body hangs from the hands;
# the forearms that hardly move are about 3 % of it (segment tables, from memory).
_BODY_MASS_SHARE = (
    (r"\bpush up\b", 0.69),
    (r"\b(pull|chin|muscle) up\b", 0.97),
    (r"\bdip\b", 0.97),
)


def plain_name(name: str) -> str:
    """The name without case, accents and punctuation, abbreviations written out."""
    text = unicodedata.normalize("NFKD", name.casefold())
    text = "".join(c for c in text if not unicodedata.combining(c)).replace("&", " and ")
    words = re.findall(r"\w+", text)
    words = " ".join(_JOINED.get(word, _SHORT.get(word, word)) for word in words).split()
    return " ".join(_JOINED.get(word, word) for word in words)


def main_lift(name: str) -> str | None:
    """The main lift an exercise of this name trains, in the words of ``plain_name``; None if unknown."""
    plain = plain_name(name)
    if plain == "bench":
        return "bench press"
    for there, absent, lift in _MAIN_LIFTS:
        if re.search(there, plain) and not re.search(absent, plain):
            return lift
    return None


def is_main(name: str) -> bool:
    """Whether the name is the main lift itself, not a variant of it."""
    plain = plain_name(name)
    lift = main_lift(name)
    return lift is not None and plain in (lift, f"barbell {lift}", f"competition {lift}", _bare(lift))


def _bare(lift: str) -> str:
    return {"squat": "back squat", "bench press": "bench", "overhead press": "press"}.get(lift, lift)


def body_mass_share(name: str) -> float:
    """The moved share of body mass, 0 where the bar is the load. [1]"""
    plain = plain_name(name)
    if re.search(r"\b(machine|assisted|pushdown|dumbbell)\b", plain):
        return 0.0
    return next((share for pattern, share in _BODY_MASS_SHARE if re.search(pattern, plain)), 0.0)


def close_names(name: str, known: Collection[str], *, most: int = 3) -> list[str]:
    """Known names that may be meant, the likeliest first: same plain name, same words, close spelling."""
    plain = plain_name(name)
    by_plain: dict[str, list[str]] = {}
    for other in known:
        by_plain.setdefault(plain_name(other), []).append(other)
    words = sorted(plain.split())
    found = by_plain.get(plain, []) + [
        other
        for key, others in by_plain.items()
        if key != plain and sorted(key.split()) == words
        for other in others
    ]
    for key in difflib.get_close_matches(plain, list(by_plain), n=most, cutoff=0.8):
        found += [other for other in by_plain[key] if other not in found]
    return found[:most]


def suggestions(names: Sequence[str], known: Collection[str]) -> dict[str, list[str]]:
    """For each name that is not known exactly, the known names it may mean (none: a new exercise)."""
    exact = set(known)
    return {name: close_names(name, known) for name in names if name not in exact}


def guess(name: str) -> tuple[str | None, float]:
    """Main lift and moved share of body mass for the name of a new exercise."""
    return main_lift(name), body_mass_share(name)
