"""An invented business for trying the program out: two locations, their rooms, team and price list.

One location is in an invented airport and never closes, so that the program can be tried at any
hour; what its calendar holds lies between `OPENS` and `CLOSES`. Nobody and nothing here exists. Minutes, prices and rebooking weeks are of the usual size: common
practice, no source.
"""

from dataclasses import asdict, dataclass, replace
from typing import Any

from services.imports import demo_stock

BUSINESS = "Tamsinwold Skin Rooms"
OPENS, CLOSES = "09:00", "18:00"


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoRoom:
    """A room; one for walk-ins has no visits in the calendar."""

    name: str
    features: tuple[str, ...]
    walk_in: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoPerson:
    """A team member; `weekdays` (Monday is 0) are the days of each of the `shifts`.

    Who takes walk-ins has no visits in the calendar.
    """

    name: str
    email: str
    role: str
    skills: tuple[str, ...] = ()
    weekdays: tuple[int, ...] = ()
    shifts: tuple[tuple[str, str], ...] = ((OPENS, CLOSES),)
    walk_in: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoKit:
    """`count` kits of a kind, each with these implements: name and how it may be disinfected."""

    kind: str
    count: int
    implements: tuple[tuple[str, str], ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoLocation:
    name: str
    zone: str
    country: str
    jurisdiction: str
    currency: str
    opens: str
    closes: str
    weekdays: tuple[int, ...]
    rooms: tuple[DemoRoom, ...]
    team: tuple[DemoPerson, ...]
    kits: tuple[DemoKit, ...]
    #: House policies that differ from the program's own.
    policies: tuple[tuple[str, int], ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoService:
    """One service; minutes are set-up, consultation, hands-on, aftercare and clean-up."""

    name: str
    area: str
    method: str
    minutes: tuple[int, int, int, int, int]
    price: int
    rebook_weeks: int
    features: tuple[str, ...]
    kit: str
    skill: str


_WAX, _FACE, _PEEL = (5, 5, 5, 10), (10, 10, 5, 15), (10, 10, 10, 15)
_WAX_ROOM, _FACE_ROOM, _LAMP = ("wax heater",), ("steamer", "sink"), ("magnifying lamp",)


def _service(
    name: str, where: tuple[str, str], numbers: tuple[int, int, int], needs: Any
) -> DemoService:
    hands_on, price, weeks = numbers
    (set_up, consultation, aftercare, clean_up), features, kit, skill = needs
    return DemoService(
        name=name,
        area=where[0],
        method=where[1],
        minutes=(set_up, consultation, hands_on, aftercare, clean_up),
        price=price,
        rebook_weeks=weeks,
        features=features,
        kit=kit,
        skill=skill,
    )


_FACE_WAX = (_WAX, _WAX_ROOM, "Face wax kit", "waxing")
_BODY_WAX = (_WAX, _WAX_ROOM, "Body wax kit", "waxing")
_BROW = (_WAX, _LAMP, "Brow kit", "brows and lashes")
_LASH = (_WAX, _LAMP, "Lash kit", "brows and lashes")
_FACIAL = (_FACE, _FACE_ROOM, "Facial kit", "facials")
_ACID = (_PEEL, _FACE_ROOM, "Peel kit", "peels")
_BLADE = (_PEEL, _LAMP, "Dermaplane kit", "peels")

SERVICES = (
    _service("Brow wax", ("Brows", "Soft wax"), (15, 24, 4), _FACE_WAX),
    _service("Lip wax", ("Upper lip", "Hard wax"), (10, 16, 4), _FACE_WAX),
    _service("Chin wax", ("Chin", "Hard wax"), (10, 18, 4), _FACE_WAX),
    _service("Cheek wax", ("Cheeks", "Hard wax"), (15, 24, 4), _FACE_WAX),
    _service("Full face wax", ("Face", "Hard wax"), (35, 62, 4), _FACE_WAX),
    _service("Underarm wax", ("Underarms", "Hard wax"), (15, 28, 4), _BODY_WAX),
    _service("Forearm wax", ("Forearms", "Soft wax"), (20, 36, 5), _BODY_WAX),
    _service("Full arm wax", ("Arms", "Soft wax"), (30, 48, 5), _BODY_WAX),
    _service("Lower leg wax", ("Lower legs", "Soft wax"), (30, 52, 5), _BODY_WAX),
    _service("Upper leg wax", ("Upper legs", "Soft wax"), (35, 58, 5), _BODY_WAX),
    _service("Full leg wax", ("Legs", "Soft wax"), (55, 92, 5), _BODY_WAX),
    _service("Bikini line wax", ("Bikini line", "Hard wax"), (20, 44, 4), _BODY_WAX),
    _service("Wide bikini wax", ("Bikini line", "Hard wax"), (30, 62, 4), _BODY_WAX),
    _service("Back wax", ("Back", "Soft wax"), (40, 64, 5), _BODY_WAX),
    _service("Chest wax", ("Chest", "Soft wax"), (35, 58, 5), _BODY_WAX),
    _service("Shoulder wax", ("Shoulders", "Soft wax"), (20, 34, 5), _BODY_WAX),
    _service("Abdomen wax", ("Abdomen", "Soft wax"), (20, 32, 5), _BODY_WAX),
    _service("Brow tweeze", ("Brows", "Tweezing"), (20, 26, 4), _BROW),
    _service("Brow tint", ("Brows", "Tint"), (15, 22, 5), _BROW),
    _service("Lash tint", ("Lashes", "Tint"), (20, 28, 6), _LASH),
    _service("Brow lamination", ("Brows", "Lamination"), (45, 78, 7), _BROW),
    _service("Brow lamination & tint", ("Brows", "Lamination"), (60, 94, 7), _BROW),
    _service("Lash lift", ("Lashes", "Lamination"), (60, 96, 8), _LASH),
    _service("Short facial", ("Face", "Facial"), (30, 68, 4), _FACIAL),
    _service("House facial", ("Face", "Facial"), (60, 112, 4), _FACIAL),
    _service("Hydrating facial", ("Face", "Facial"), (60, 124, 4), _FACIAL),
    _service("Calming facial", ("Face", "Facial"), (50, 108, 4), _FACIAL),
    _service("Clearing facial", ("Face", "Facial"), (75, 134, 4), _FACIAL),
    _service("Back facial", ("Back", "Facial"), (50, 106, 5), _FACIAL),
    _service("Neck facial", ("Neck", "Facial"), (40, 84, 4), _FACIAL),
    _service("Light fruit acid peel", ("Face", "Peel"), (35, 118, 4), _ACID),
    _service("Light lactic peel", ("Face", "Peel"), (30, 104, 4), _ACID),
    _service("Hand peel", ("Hands", "Peel"), (25, 58, 4), _ACID),
    _service("Dermaplaning", ("Face", "Dermaplaning"), (40, 96, 4), _BLADE),
    _service("Long dermaplaning", ("Face", "Dermaplaning"), (70, 148, 5), _BLADE),
)


def _kit(kind: str, count: int, *implements: str) -> DemoKit:
    """A kit of metal implements that may be immersed."""
    return DemoKit(
        kind=kind, count=count, implements=tuple((name, "immersible") for name in implements)
    )


_KITS = (
    _kit("Face wax kit", 6, "tweezers", "scissors"),
    _kit("Body wax kit", 6, "tweezers", "scissors"),
    _kit("Brow kit", 4, "tweezers", "scissors", "brow comb"),
    _kit("Lash kit", 3, "tweezers", "lash tool"),
    _kit("Facial kit", 6, "extractor", "spatula"),
    _kit("Peel kit", 3, "peel brush"),
    _kit("Dermaplane kit", 3, "blade holder"),
)


def _person(first: str, last: str, role: str, skills: str = "", days: str = "") -> DemoPerson:
    return DemoPerson(
        name=f"{first} {last}",
        email=f"{first}.{last}@tamsinwold.example".lower(),
        role=role,
        skills=tuple(filter(None, skills.split(", "))),
        weekdays=tuple(int(day) for day in days),
    )


_EVERY_DAY, _WORKDAYS = (0, 1, 2, 3, 4, 5, 6), (0, 1, 2, 3, 4, 5)
# Two spans a day that leave no minute out: nobody works so, but the tour works at any hour.
_ALWAYS = (("00:00", "12:00"), ("12:00", "00:00"))
_ALL_SKILLS = "brows and lashes, facials, peels, waxing"


def _always_here(first: str, last: str) -> DemoPerson:
    person = _person(first, last, "practitioner", _ALL_SKILLS, "0123456")
    return replace(person, shifts=_ALWAYS, walk_in=True)


_ALL_FEATURES = ("magnifying lamp", "sink", "steamer", "wax heater")
LAKESIDE = DemoLocation(
    name="Tamsinwold Lakeside Airport",
    zone="America/Chicago",
    country="US",
    jurisdiction="us-tx",
    currency="USD",
    opens="00:00",
    closes="23:59",
    weekdays=_EVERY_DAY,
    rooms=(
        DemoRoom(name="Fern Room", features=("magnifying lamp", "sink", "steamer", "wax heater")),
        DemoRoom(name="Heron Room", features=("magnifying lamp", "sink", "steamer", "wax heater")),
        DemoRoom(name="Alder Room", features=("magnifying lamp", "sink", "steamer")),
        DemoRoom(name="Gate Room", features=_ALL_FEATURES, walk_in=True),
        DemoRoom(name="Apron Room", features=_ALL_FEATURES, walk_in=True),
    ),
    # Three at a time, one for each room, on every day but Sunday.
    team=(
        _person("Oda", "Quillamoor", "practitioner", "facials, peels, waxing", "0124"),
        _person("Imre", "Voskowane", "practitioner", "brows and lashes, waxing", "01345"),
        _person(
            "Tamika",
            "Brindlisk",
            "practitioner",
            "brows and lashes, facials, peels, waxing",
            "02345",
        ),
        _person("Sunniva", "Lumackle", "practitioner", "brows and lashes, facials, waxing", "1235"),
        _always_here("Bramwell", "Ostrevane"),
        _always_here("Leocadia", "Marrowisp"),
        _person("Rosalba", "Kestimund", "lead", "facials, waxing"),
        _person("Ned", "Pelluvette", "front_desk"),
    ),
    kits=(
        *_KITS,
        DemoKit(
            kind="Extraction kit",
            count=1,
            implements=(("extractor", "must_be_sterilised"), ("loop", "must_be_sterilised")),
        ),
    ),
    # It opens at midnight: its opening list is for nine hours later, when its rooms are used.
    policies=(("opening_list_within_minutes", 540),),
)
HARBORSIDE = DemoLocation(
    name="Tamsinwold Harborside",
    zone="America/New_York",
    country="US",
    jurisdiction="us-ny",
    currency="USD",
    opens=OPENS,
    closes=CLOSES,
    weekdays=_WORKDAYS,
    rooms=(
        DemoRoom(name="Gull Room", features=("magnifying lamp", "sink", "steamer", "wax heater")),
        DemoRoom(name="Tide Room", features=("magnifying lamp", "sink", "steamer")),
    ),
    team=(
        _person("Marisol", "Umberwyn", "practitioner", "facials, peels, waxing", "01234"),
        _person("Jonas", "Sorrelastra", "practitioner", "brows and lashes, waxing", "12345"),
        _person("Adaeze", "Mirrolisk", "lead", "facials, waxing"),
        _person("Wim", "Ruskingsby", "front_desk"),
    ),
    kits=_KITS,
)


@dataclass(frozen=True, slots=True, kw_only=True)
class DemoProduct:
    """A disinfectant concentrate as an invented label states it."""

    name: str
    active: str
    registration_number: str
    parts_concentrate: int
    parts_water: int
    contact_seconds: int
    hospital_type: bool
    use_days: int
    family: str
    #: What its label says that a strip shows.
    stated_ppm: int


# Of the usual size for such concentrates; the label of the real product decides.
DISINFECTANT = DemoProduct(
    name="Invented quaternary concentrate",
    active="quaternary ammonium compounds",
    registration_number="INVENTED-1-1",
    parts_concentrate=1,
    parts_water=16,
    contact_seconds=600,
    hospital_type=True,
    use_days=14,
    family="quat",
    stated_ppm=400,
)
OWNER = _person("Perpetua", "Tamsinwold", "owner")


def as_json() -> dict[str, Any]:
    """The business without its clients, price list and visits: what is set up before importing."""
    return {
        "invented": "Nobody and nothing in this file exists.",
        "business": BUSINESS,
        "owner": asdict(OWNER),
        "disinfectant": asdict(DISINFECTANT),
        "stock": [asdict(item) for item in demo_stock.STOCK],
        "locations": [asdict(location) for location in (LAKESIDE, HARBORSIDE)],
    }
