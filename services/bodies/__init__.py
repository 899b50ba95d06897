"""What the API and the feeds show. Importing this package registers every entity of the app."""

from services.bodies import absences, incidents, price_list, rebooking, visits  # noqa: F401
