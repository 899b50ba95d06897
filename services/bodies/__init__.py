"""What the API and the feeds show. Importing this package registers every entity of the app."""

from services.bodies import (  # noqa: F401
    absences,
    due_checks,
    hand_over,
    incidents,
    price_list,
    rebooking,
    visits,
)
