"""Products, baths, kits and what happens to implements. The only writers of these."""

from compliance.disinfection.actions.kits import add_implement, add_kit, mark_blood, open_kit
from compliance.disinfection.actions.reprocessing import (
    record_added_to_soak,
    record_reprocessing,
    record_reprocessing_of_kits,
    strike_event,
)
from compliance.disinfection.actions.running_baths import (
    add_container,
    change_container,
    look_for_papers,
    read_strip,
    top_up_solution,
    warn_of_soaks,
    warn_of_solutions,
)
from compliance.disinfection.actions.solutions import (
    add_product,
    end_solution,
    expire_solutions,
    mix_solution,
)

__all__ = [
    "add_container",
    "add_implement",
    "add_kit",
    "add_product",
    "change_container",
    "end_solution",
    "expire_solutions",
    "look_for_papers",
    "mark_blood",
    "mix_solution",
    "open_kit",
    "read_strip",
    "record_added_to_soak",
    "record_reprocessing",
    "record_reprocessing_of_kits",
    "strike_event",
    "top_up_solution",
    "warn_of_soaks",
    "warn_of_solutions",
]
