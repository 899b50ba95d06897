"""Products, baths, kits and what happens to implements. The only writers of these."""

from compliance.disinfection.actions.kits import add_implement, add_kit, mark_blood, open_kit
from compliance.disinfection.actions.reprocessing import (
    record_added_to_soak,
    record_reprocessing,
    strike_event,
)
from compliance.disinfection.actions.solutions import (
    add_product,
    end_solution,
    expire_solutions,
    mix_solution,
)

__all__ = [
    "add_implement",
    "add_kit",
    "add_product",
    "end_solution",
    "expire_solutions",
    "mark_blood",
    "mix_solution",
    "open_kit",
    "record_added_to_soak",
    "record_reprocessing",
    "strike_event",
]
