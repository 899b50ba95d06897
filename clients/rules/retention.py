"""How long what a client said is kept, pure. The years are data: requirement packs say them."""

from datetime import date


def keep_until(recorded_on: date, years: int) -> date:
    """The first day on which it need not be kept: so many years later; of 29 February, 1 March."""
    try:
        return recorded_on.replace(year=recorded_on.year + years)
    except ValueError:
        return date(recorded_on.year + years, 3, 1)


def last_due(today: date, years: int) -> date:
    """The latest day whose records need not be kept `today`: what `keep_until` says, turned round."""
    try:
        return today.replace(year=today.year - years)
    except ValueError:
        return date(today.year - years, 2, 28)
