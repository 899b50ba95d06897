"""Every figure of the dashboard, in the order in which it is shown. Pure data."""

from compliance.reports.rules import figures, upkeep
from compliance.reports.rules.figures import Rule

_CHECKS = frozenset({"due_check.raised", "due_check.cleared"})
_LOG = frozenset({"equipment.logged", "equipment.entry_struck"})
_ROOM = (("room.added", ""),)
_STERILISER = (("steriliser.added", ""),)
_LIST = "every row is house policy or the jurisdiction's own, as the list says beside it"


def _lists(kind: str) -> Rule:
    return Rule(
        name=f"{kind}_lists",
        says=f"{kind.capitalize()} lists done in time, with nothing blank, undone or contradicted",
        basis=_LIST,
        kinds=_CHECKS | {"check_list.signed_off"},
        judge=upkeep.lists_kept(kind),
        asked_of=(
            ("check_list.signed_off", kind),
            ("check_list.ticked", kind),
            ("due_check.raised", f"{kind}_list"),
        ),
    )


def _equipment(
    name: str, says: str, basis: str, *kinds: str, events: tuple[str, ...] = (), **words: str
) -> Rule:
    return Rule(
        name=name,
        says=says,
        basis=basis,
        kinds=_CHECKS | _LOG,
        judge=upkeep.equipment_kept(*kinds, events=frozenset(events), **words),
        asked_of=tuple(("equipment.added", kind) for kind in kinds),
    )


RULES = (
    Rule(
        name="screened_before_start",
        says="Lines started after screening of the same day let them",
        basis="16 TAC 83.102(b) for what is looked for; asking anew each day is house policy",
        kinds=frozenset({"line.screened", "line.overridden", "line.started"}),
        judge=figures.screened_before_start,
        asked_of=_ROOM,
    ),
    Rule(
        name="cleared_before_use",
        says="Kits opened with every implement cleared",
        basis="16 CCR 979 (older text); Wyo. barber rules ch. 2 s. 2-2",
        kinds=frozenset({"kit.opened"}),
        judge=figures.cleared_before_use,
        asked_of=(("kit.added", ""),),
    ),
    Rule(
        name="soaked_inside_window",
        says="Implements immersed in a solution inside its use window",
        basis="16 TAC 83.101(a)(3) and the like; the strictest of label, board and house",
        kinds=frozenset(
            {
                "solution.mixed",
                "solution.ended",
                "solution.window_shortened",
                "implement.reprocessed",
                "implement.event_struck",
            }
        ),
        judge=figures.soaked_inside_window,
        asked_of=(("kit.added", ""),),
    ),
    Rule(
        name="turnovers_on_time",
        says="Turnovers begun within {minutes} minutes of leaving",
        basis="house policy: no rule publishes minutes of turnover",
        kinds=frozenset({"room.turnover_begun"}),
        judge=figures.turnovers_on_time,
        asked_of=_ROOM,
    ),
    Rule(
        name="turnovers_not_too_fast",
        says="Turnovers that took at least their steps and the wet time",
        basis="the wet time is the label's, the shortest time of a step house policy",
        kinds=frozenset({"room.turnover_finished"}),
        judge=figures.turnovers_not_too_fast,
        asked_of=_ROOM,
    ),
    _lists("opening"),
    _lists("closing"),
    Rule(
        name="hand_overs_accepted",
        says="Hand-overs accepted by name within 12 hours",
        basis="house policy: no rule publishes a time",
        kinds=frozenset({"hand_over.given", "hand_over.accepted"}),
        judge=upkeep.hand_overs_accepted,
        asked_of=(("hand_over.given", ""),),
    ),
    _equipment(
        "wax_pots_kept",
        "Wax pots read inside their range, filled and cleaned without a flaw",
        "the range is the product's label's, a reading each day house policy",
        "wax_pot",
        events=("measured", "filled", "cleaned"),
    ),
    _equipment(
        "towel_warmers_kept",
        "Towel warmers: care that was logged, and none missed",
        "Okla. 175:10-7-12; elsewhere the local rule's care, or house policy",
        "towel_warmer",
    ),
    _equipment(
        "foot_basins_kept",
        "Foot basins: care that was logged, and none missed",
        "Maine 02-041 ch. 26.280-281; elsewhere the local rule's care, or house policy",
        "foot_basin",
    ),
    Rule(
        name="sharps_boxes_kept",
        says="Sharps boxes replaced on the day they were called full, and in date",
        basis="house policy: the box's own label and the waste carrier come first",
        kinds=_CHECKS | _LOG,
        judge=upkeep.sharps_boxes_kept,
        asked_of=(("equipment.added", "sharps_box"),),
    ),
    _equipment(
        "linen_washed",
        "Loads of linen washed in a published way",
        "the local rule's wash where there is one, else the published pairs of the house",
        "washing_machine",
        events=("washed",),
    ),
    _equipment(
        "emergency_kits_kept",
        "First aid, eye wash and blood-spill kits seen to before their date",
        "house policy; the maker's date",
        "first_aid_kit",
        "eye_wash",
        "blood_spill_kit",
        missed="out_of_date",
    ),
    Rule(
        name="spore_tests_on_time",
        says="Spore tests taken by the day they were due",
        basis="the local rule's interval where there is one, else house policy",
        kinds=_CHECKS | {"spore_test.taken", "steriliser.out_of_use"},
        judge=upkeep.spore_tests_on_time,
        asked_of=_STERILISER,
    ),
    Rule(
        name="spore_tests_good",
        says="Spore tests that showed no growth",
        basis="a failed test proves nothing back to the last good one",
        kinds=frozenset({"spore_test.read", "spore_test.corrected"}),
        judge=upkeep.spore_tests_good,
        asked_of=_STERILISER,
    ),
    Rule(
        name="loads_standing",
        says="Loads of sterilisers released, and not recalled since",
        basis="the integrator for its load, the spore test for every load since the last good one",
        kinds=frozenset(
            {
                "steriliser.load_released",
                "steriliser.load_failed",
                "steriliser.load_recalled",
                "steriliser.load_vouched_for",
            }
        ),
        judge=upkeep.loads_standing,
        asked_of=_STERILISER,
    ),
)
BY_NAME = {rule.name: rule for rule in RULES}
