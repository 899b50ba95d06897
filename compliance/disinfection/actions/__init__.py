"""Products, baths, kits and what happens to implements. The only writers of these."""

from compliance.disinfection.actions.counting import count_kit_back, settle_missing_piece
from compliance.disinfection.actions.kits import add_implement, add_kit, mark_blood, open_kit
from compliance.disinfection.actions.loads import (
    end_shelf_lives,
    finish_load,
    read_integrator,
    start_load,
    withdraw_load,
)
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
)
from compliance.disinfection.actions.solutions import (
    add_product,
    end_solution,
    expire_solutions,
    mix_solution,
)
from compliance.disinfection.actions.sterilisers import (
    add_steriliser,
    correct_spore_test,
    read_spore_test,
    record_repair,
    retire_steriliser,
    take_spore_test,
)
from compliance.disinfection.actions.windows import redraw_windows

__all__ = [
    "add_container",
    "add_implement",
    "add_kit",
    "add_product",
    "add_steriliser",
    "change_container",
    "correct_spore_test",
    "count_kit_back",
    "end_shelf_lives",
    "end_solution",
    "expire_solutions",
    "finish_load",
    "look_for_papers",
    "mark_blood",
    "mix_solution",
    "open_kit",
    "read_integrator",
    "read_spore_test",
    "read_strip",
    "record_added_to_soak",
    "record_repair",
    "record_reprocessing",
    "record_reprocessing_of_kits",
    "redraw_windows",
    "retire_steriliser",
    "settle_missing_piece",
    "start_load",
    "strike_event",
    "take_spore_test",
    "top_up_solution",
    "warn_of_soaks",
    "withdraw_load",
]
