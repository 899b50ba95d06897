"""Which column is which: header names as spreadsheets of this trade have them, in four languages.

The words are everyday ones (English, German, Spanish, French); a column that is not recognised is
reported and not read, never guessed from its content.
"""

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

from services.imports.cells import fold, fold_header
from services.imports.rows import FileRefused


@dataclass(frozen=True, slots=True, kw_only=True)
class Layout:
    """The columns a kind of file may have.

    `words` gives each column's header names; of each group in `required` one must be there;
    `left_out` are headers that are known and on purpose not read, with the reason.
    """

    kind: str
    words: Mapping[str, Sequence[str]]
    required: Sequence[Sequence[str]]
    left_out: Mapping[str, Sequence[str]] = field(default_factory=dict)

    def column_of(self, header: str) -> str:
        """The column a header names, or ''."""
        folded = fold_header(header)
        for column, words in self.words.items():
            if folded == fold(column) or folded in words:
                return column
        return ""

    def reason_to_leave_out(self, header: str) -> str:
        folded = fold_header(header)
        return next((why for why, words in self.left_out.items() if folded in words), "")


@dataclass(frozen=True, slots=True, kw_only=True)
class Match:
    """Where each column is: `positions` by column, `names` as the file writes them."""

    positions: Mapping[str, int]
    names: Mapping[str, str]
    ignored: tuple[str, ...]
    absent: tuple[str, ...]
    decisions: tuple[str, ...] = ()


def recognised(layout: Layout, cells: Sequence[str]) -> int:
    """How many of `cells` name a column: what tells a header from a title, and a delimiter."""
    return len({column for cell in cells if (column := layout.column_of(cell))})


def match(layout: Layout, cells: Sequence[str]) -> Match:
    """The columns of a header row. Raises FileRefused if one comes twice or a needed one is missing."""
    positions: dict[str, int] = {}
    ignored: list[str] = []
    decisions: list[str] = []
    for at, cell in enumerate(cells):
        column = layout.column_of(cell)
        if column in positions:
            raise _named_twice(column, positions[column], cells[positions[column]], at, cell)
        if column:
            positions[column] = at
            continue
        ignored.append(cell or f"column {at + 1} (without a name)")
        if why := layout.reason_to_leave_out(cell):
            decisions.append(f"{cell} was not read: {why}.")
    _demand(layout, positions, cells)
    return Match(
        positions=positions,
        names={column: cells[at] for column, at in positions.items()},
        ignored=tuple(ignored),
        absent=tuple(column for column in layout.words if column not in positions),
        decisions=tuple(decisions),
    )


def _named_twice(column: str, first: int, one: str, second: int, other: str) -> FileRefused:
    return FileRefused(
        "header-twice",
        f"Columns {first + 1} ({one}) and {second + 1} ({other}) both name the {column}."
        " Delete one, or give it another name.",
    )


def _demand(layout: Layout, positions: Mapping[str, int], cells: Sequence[str]) -> None:
    missing = [group for group in layout.required if not any(c in positions for c in group)]
    if not missing:
        return
    wanted = "; ".join(
        " or ".join(f"{column} (for instance {layout.words[column][0]!r})" for column in group)
        for group in missing
    )
    there = ", ".join(cell for cell in cells if cell) or "nothing"
    raise FileRefused(
        "column-missing",
        f"A file of {layout.kind} needs a column for {wanted}. The header has: {there}."
        " Add the column, or correct its name.",
    )


CLIENTS = Layout(
    kind="clients",
    required=(("name", "first_name", "last_name"),),
    words={
        "name": (
            "name", "full name", "client", "client name", "customer", "customer name", "guest",
            "kunde", "kundin", "kundenname", "vor und nachname", "vollstandiger name",
            "nombre completo", "nombre y apellidos", "cliente", "nom complet", "nom et prenom",
            "client e",
        ),
        "first_name": (
            "first name", "firstname", "first", "given name", "forename", "christian name",
            "vorname", "nombre", "nombre de pila", "prenom",
        ),
        "last_name": (
            "last name", "lastname", "last", "surname", "family name", "nachname", "familienname",
            "zuname", "apellido", "apellidos", "nom", "nom de famille",
        ),
        "mobile": (
            "mobile", "mobile phone", "mobile number", "cell", "cell phone", "cellphone",
            "cell number", "handy", "handynummer", "mobil", "mobiltelefon", "mobilnummer", "movil",
            "telefono movil", "celular", "portable", "telephone portable", "tel portable",
        ),
        "phone": (
            "phone", "phone number", "telephone", "telephone number", "tel", "tel no", "phone no",
            "home phone", "contact number", "telefon", "telefonnummer", "tel nr", "telefono",
            "numero de telefono", "tlf", "numero de telephone",
        ),
        "email": (
            "email", "e mail", "email address", "e mail address", "mail", "e mail adresse",
            "emailadresse", "correo", "correo electronico", "courriel", "adresse e mail",
            "adresse email",
        ),
        "birth_date": (
            "birth date", "birthdate", "date of birth", "dob", "d o b", "birthday", "born",
            "geburtsdatum", "geburtstag", "geb datum", "geboren", "fecha de nacimiento",
            "nacimiento", "date de naissance", "naissance", "ne e le",
        ),
        "zone": ("time zone", "timezone", "zone", "zeitzone", "zona horaria", "fuseau horaire"),
        "notes": (
            "notes", "note", "remarks", "comments", "comment", "bemerkung", "bemerkungen",
            "notiz", "notizen", "anmerkungen", "notas", "observaciones", "comentarios",
            "remarques", "commentaires",
        ),
        "allergies": (
            "allergies", "allergy", "allergies and sensitivities", "sensitivities", "allergien",
            "allergie", "unvertraglichkeiten", "alergias", "alergia",
        ),
        "source_id": (
            "client id", "id", "client no", "client number", "customer id", "customer no",
            "customer number", "no", "reference", "ref", "kundennummer", "kunden nr",
            "kundennr", "nr", "numero de cliente", "n cliente", "numero client", "n client",
        ),
        "language": (
            "language", "preferred language", "sprache", "idioma", "langue", "lengua",
        ),
    },
    left_out={
        "imported clients have consented to no message, each is asked anew": (
            "consent", "marketing consent", "marketing", "newsletter", "sms consent",
            "email consent", "email marketing", "sms marketing", "opt in", "sms opt in",
            "email opt in", "accepts marketing", "reminders", "einwilligung", "werbung",
            "consentimiento", "consentement",
        ),
    },
)  # fmt: skip

SERVICES = Layout(
    kind="services",
    required=(("name",), ("area",), ("method",), ("hands_on_minutes",), ("price",)),
    words={
        "name": (
            "service", "service name", "name", "title", "behandlung", "bezeichnung", "leistung",
            "servicio", "nombre", "tratamiento", "prestation", "soin", "nom",
        ),
        "area": (
            "area", "body area", "body part", "zone", "region", "bereich", "korperbereich",
            "korperteil", "area corporal", "parte del cuerpo", "partie du corps",
        ),
        "method": ("method", "technique", "methode", "metodo", "tecnica", "art"),
        "hands_on_minutes": (
            "hands on minutes", "hands on", "hands on time", "duration", "duration minutes",
            "minutes", "length", "time", "dauer", "minuten", "duracion", "minutos", "duree",
        ),
        "price": ("price", "fee", "amount", "preis", "precio", "prix", "tarif", "tarifa"),
        "set_up_minutes": (
            "set up minutes", "set up", "setup", "setup minutes", "set up time", "vorbereitung",
            "preparacion", "preparation",
        ),
        "clean_up_minutes": (
            "clean up minutes", "clean up", "cleanup", "cleanup minutes", "clean up time",
            "turnover minutes", "turnover", "nachbereitung", "reinigung", "limpieza", "nettoyage",
        ),
        "consultation_minutes": (
            "consultation minutes", "consultation", "consultation time", "beratung", "consulta",
        ),
        "aftercare_minutes": (
            "aftercare minutes", "aftercare", "aftercare time", "nachsorge", "cuidados posteriores",
            "apres soin",
        ),
        "rebook_weeks": (
            "rebook weeks", "rebook", "rebooking weeks", "rebook after weeks", "weeks to rebook",
            "interval weeks", "wiederholung wochen", "semanas",
        ),
        "room_features": (
            "room features", "room needs", "needs in room", "room", "equipment", "ausstattung",
            "raum", "equipamiento", "equipement",
        ),
        "kit": ("kit", "implement kit", "instruments", "set", "besteck", "juego", "jeu"),
        "skill": ("skill", "skills", "qualification", "qualifikation", "cualificacion"),
        "source_id": (
            "service id", "service code", "code", "id", "no", "number", "nr", "codigo", "reference",
        ),
    },
)  # fmt: skip
