"""The questions as the template shows them: with what was chosen, and what is wrong where. Pure."""

from collections.abc import Mapping, Sequence
from typing import Any

from services.rules.intake import AskedKind, Form

_WHEN = {
    "": "I don't know",
    "day": "On a certain day",
    "month": "In a certain month",
    "year": "In a certain year",
    "days_ago": "About so many days ago",
    "weeks_ago": "About so many weeks ago",
    "months_ago": "About so many months ago",
    "planned": "It is still to come, I don't know when",
}
_CHOICES = (("yes", "Yes"), ("no", "No"), ("ask", "Not sure: ask me in the room"))
_PLACES = {"birth_date": "Date of birth", "consent": "Consent", "changed": "Anything changed?",
           "guardian_name": "Guardian's name", "guardian_relation": "Guardian's relation", "note": "Anything else"}  # fmt: skip

Sent = Mapping[str, Sequence[str]]


def questions_shown(form: Form, sent: Sent, wrong: Mapping[str, str]) -> list[dict[str, Any]]:
    """Each question with its choices, its kinds, and the errors of each."""
    return [
        {
            "key": q.key,
            "text": q.text,
            "error": wrong.get(q.key, ""),
            "choices": [
                {"value": value, "label": label, "on": _one(sent, q.key) == value}
                for value, label in _CHOICES
            ],
            "kinds": [_kind(k, sent, wrong) for k in q.kinds],
        }
        for q in form.questions
    ]


def _kind(kind: AskedKind, sent: Sent, wrong: Mapping[str, str]) -> dict[str, Any]:
    picked = sent.get(f"{kind.key}-details", ())
    return {
        "key": kind.key,
        "title": kind.title[:1].upper() + kind.title[1:],
        "alone": kind.alone,
        "on": bool(_one(sent, kind.key)),
        "error": wrong.get(kind.key, ""),
        "details": [
            {"value": d, "label": _words(d), "on": d in picked} for d in kind.details
        ],
        "detail_error": wrong.get(f"{kind.key}-details", ""),
        "whens": [
            {"value": value, "label": label, "on": value and _one(sent, f"{kind.key}-when") == value}
            for value, label in _WHEN.items()
            if value != "planned" or kind.may_be_planned
        ],
        "may_be_planned": kind.may_be_planned,
        "lasts": kind.lasts,
        "has_place": kind.has_place,
        **{
            part: {
                "value": _one(sent, f"{kind.key}-{part}"),
                "error": wrong.get(f"{kind.key}-{part}", ""),
            }
            for part in ("when", "day", "month", "year", "ago", "still", "where")
        },
    }  # fmt: skip


def _one(sent: Sent, name: str) -> str:
    return (list(sent.get(name, ())) or [""])[-1]


def _words(code: str) -> str:
    return code.replace("_", " ")


def error_list(form: Form, wrong: Mapping[str, str]) -> list[dict[str, str]]:
    """What is wrong in the order of the page, each with the id of the control to mend."""
    places: dict[str, tuple[str, str]] = {}
    if form.changes_only:
        places["changed"] = ("changed-no", _PLACES["changed"])
    for q in form.questions:
        places[q.key] = (f"{q.key}-yes", q.text)
        for k in q.kinds:
            title = k.title[:1].upper() + k.title[1:]
            places[k.key] = (k.key, q.text)
            places |= {
                f"{k.key}-{part}": (f"{k.key}-{part}", title)
                for part in ("details", "when", "day", "month", "year", "ago", "still", "where")
            }
    names = ("birth_date", "guardian_name", "guardian_relation", "note", "consent")
    places |= {name: (name, _PLACES[name]) for name in names}
    known = [
        {"to": places[name][0], "place": places[name][1], "message": wrong[name]}
        for name in places
        if name in wrong
    ]
    other = [
        {"to": "questions", "place": "This page", "message": message}
        for name, message in wrong.items()
        if name not in places
    ]
    return known + other
