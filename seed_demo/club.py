"""An invented club of 24 lifters. No name, number or place here belongs to anybody."""

from __future__ import annotations

from dataclasses import dataclass, field

CLUB = "Saltmarsh Lifting Club"
COACH = "Ines Marto"
LOGIN = "demo@saltmarsh.example"


@dataclass(frozen=True, slots=True)
class Person:
    """A lifter and what their year was like.

    ``strength`` is the one-repetition maximum a year ago by lift [kg], ``gain`` the rise of a year at the
    usual pace [1]. ``story`` names what the last weeks hold.
    """

    name: str
    zone: str
    body_mass: float
    strength: dict[str, float]
    gain: float
    level: str  # novice, intermediate, advanced
    days: tuple[int, ...]  # weekdays trained, Monday is 0
    story: str = "steady"
    unit: str = "kg"
    rates_sessions: bool = True
    gives_rpe: float = 0.95  # share of sets with an RPE
    rpe_bias: float = 0.0  # reported less true
    curve: float = 30.0  # repetitions at which the load is half the maximum
    goal: str = ""
    goal_weeks: int | None = None
    lifts: tuple[str, ...] = field(default=("Squat", "Bench press", "Deadlift"))


def _bars(squat: float, bench: float, deadlift: float, press: float = 0.0) -> dict[str, float]:
    found = {"Squat": squat, "Bench press": bench, "Deadlift": deadlift}
    return found | ({"Overhead press": press} if press else {})


THREE, FOUR = (0, 2, 4), (0, 1, 3, 5)
PRESS = ("Squat", "Bench press", "Deadlift", "Overhead press")

PEOPLE: tuple[Person, ...] = (
    Person(
        "Maren Oduya",
        "Europe/Lisbon",
        74,
        _bars(142, 85, 176),
        0.07,
        "advanced",
        FOUR,
        "stalled",
        goal="Club meet",
        goal_weeks=14,
    ),
    Person("Tobias Wren", "Europe/London", 93, _bars(185, 125, 215), 0.06, "intermediate", FOUR, "pain"),
    Person("Ilse Brandt", "Europe/Berlin", 61, _bars(95, 52, 115), 0.10, "intermediate", THREE, "silent"),
    Person("Kofi Lindqvist", "Africa/Accra", 82, _bars(150, 105, 190), 0.09, "intermediate", FOUR, "spike"),
    Person(
        "Ana Petrescu",
        "Europe/Bucharest",
        66,
        _bars(128, 70, 150),
        0.06,
        "advanced",
        FOUR,
        "dip",
        goal="Spring open",
        goal_weeks=11,
    ),
    Person("Jonas Achterberg", "Europe/Amsterdam", 105, _bars(210, 140, 245), 0.05, "advanced", FOUR),
    Person("Priya Venn", "Asia/Kolkata", 57, _bars(82, 45, 100), 0.14, "novice", THREE, rpe_bias=-0.5),
    Person(
        "Stellan Moreau",
        "Europe/Paris",
        88,
        _bars(165, 112, 200, 72),
        0.08,
        "intermediate",
        FOUR,
        "ready",
        lifts=PRESS,
    ),
    Person("Yuki Tanaber", "Asia/Tokyo", 70, _bars(110, 78, 140), 0.12, "novice", THREE),
    Person(
        "Rosa Quillfeather",
        "America/Chicago",
        79,
        _bars(120, 68, 150),
        0.08,
        "intermediate",
        THREE,
        "pounds",
        unit="lb",
    ),
    Person("Dmitri Haldane", "Europe/Helsinki", 98, _bars(195, 135, 230), 0.04, "advanced", FOUR, "effort"),
    Person("Leocadia Brook", "Europe/Dublin", 63, _bars(88, 50, 108), 0.13, "novice", THREE),
    Person("Samir Oxley", "Europe/Istanbul", 90, _bars(160, 110, 195), 0.07, "intermediate", FOUR, "holiday"),
    Person(
        "Greta Solberg", "Europe/Oslo", 72, _bars(125, 72, 155, 47), 0.07, "intermediate", FOUR, lifts=PRESS
    ),
    Person(
        "Mateus Farrow",
        "America/Sao_Paulo",
        84,
        _bars(150, 100, 185),
        0.09,
        "intermediate",
        THREE,
        rpe_bias=0.5,
    ),
    Person("Noor Castellan", "Asia/Dubai", 59, _bars(78, 42, 95), 0.16, "novice", THREE),
    Person("Bram Oyelaran", "Africa/Lagos", 110, _bars(220, 150, 260), 0.04, "advanced", FOUR),
    Person("Tilda Ashgrove", "Pacific/Auckland", 68, _bars(105, 60, 130), 0.10, "intermediate", THREE),
    Person("Caspian Rowe", "America/Denver", 77, _bars(135, 95, 170), 0.08, "intermediate", FOUR, unit="lb"),
    Person("Wilhelmina Okafor", "Europe/Vienna", 81, _bars(130, 75, 160), 0.06, "advanced", FOUR, curve=24.0),
    Person(
        "Eero Blackwood",
        "Europe/Tallinn",
        94,
        _bars(175, 120, 210),
        0.07,
        "intermediate",
        FOUR,
        rates_sessions=False,
    ),
    Person("Safiya Lark", "Africa/Nairobi", 55, _bars(70, 38, 88), 0.18, "novice", THREE),
    Person(
        "Hugo Strand",
        "Europe/Stockholm",
        86,
        _bars(155, 108, 190, 68),
        0.07,
        "intermediate",
        FOUR,
        gives_rpe=0.3,
        lifts=PRESS,
    ),
    Person(
        "Odile Fenwick", "Europe/Brussels", 64, _bars(100, 56, 122), 0.09, "intermediate", THREE, curve=38.0
    ),
)
