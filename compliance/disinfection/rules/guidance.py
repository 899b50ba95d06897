"""Why an implement is not ready yet, and what to do about it, in words for the bench.

The texts advise; the product's label and the local board come first.
"""

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum


class Reason(StrEnum):
    """The one thing that stands between an implement and `ready`, or `ready` itself."""

    READY = "ready"
    IN_USE = "in_use"
    OUT_OF_USE = "out_of_use"
    # The next step of the right way back.
    CLEAN_NEXT = "clean_next"
    RINSE_NEXT = "rinse_next"
    DRY_NEXT = "dry_next"
    DISINFECT_NEXT = "disinfect_next"
    CONTACT_RUNNING = "contact_running"
    CONTACT_COMPLETE = "contact_complete"
    FINAL_RINSE_NEXT = "final_rinse_next"
    FINAL_DRY_NEXT = "final_dry_next"
    STORE_NEXT = "store_next"
    STERILISE_NEXT = "sterilise_next"
    RELEASE_NEXT = "release_next"
    # Something went wrong and was recorded as it happened.
    USED_UNCLEARED = "used_uncleared"
    NOT_CLEANED = "not_cleaned"
    NOT_WASHED = "not_washed"
    NOT_RINSED_AND_DRIED = "not_rinsed_and_dried"
    PARTS_NOT_REMOVED = "parts_not_removed"
    NOT_FULLY_OPEN = "not_fully_open"
    LIFTED_EARLY = "lifted_early"
    DRIED_EARLY = "dried_early"
    AGENT_UNKNOWN = "agent_unknown"
    NOT_MIXED = "not_mixed"
    NO_LABEL_CONTACT_TIME = "no_label_contact_time"
    SOLUTION_NOT_AS_LABEL = "solution_not_as_label"
    SOLUTION_ENDED = "solution_ended"
    SOLUTION_USED_UP = "solution_used_up"
    BATH_VOIDED = "bath_voided"
    BATH_OVERFULL = "bath_overfull"
    NOT_FOR_THIS_IMPLEMENT = "not_for_this_implement"
    AGENT_NOT_FOR_BLOOD = "agent_not_for_blood"
    NOT_FOR_IMMERSION = "not_for_immersion"
    NEEDS_IMMERSION = "needs_immersion"
    NEEDS_STERILISING = "needs_sterilising"
    STILL_DRYING = "still_drying"
    FINAL_RINSE_SKIPPED = "final_rinse_skipped"
    STORED_WET = "stored_wet"
    STORED_UNCLEARED = "stored_uncleared"
    STORED_UNCOVERED = "stored_uncovered"
    NOT_FOR_STERILISING = "not_for_sterilising"
    PACKED_UNCLEANED = "packed_uncleaned"
    PACKED_WET = "packed_wet"
    NOT_PACKED = "not_packed"
    LOADED_UNCLEANED = "loaded_uncleaned"
    LOAD_FAILED = "load_failed"
    RECALLED = "recalled"
    POUCH_OPENED = "pouch_opened"
    SHELF_LIFE_OVER = "shelf_life_over"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to do, and what that rests on (a citation, "common practice" or "house policy")."""

    what_to_do: str
    basis: str


_VIRGINIA = "18VAC41-20-270(B)"
_LABEL = "product label; Wyo. barber rules ch. 2 s. 2-2"
_COMMON = "common practice, no source"
_HOUSE = "house policy"
_MAKER = "instructions of the steriliser and the pouch; common practice, no source"
_INTEGRATOR = "Cal. H&S 119315 for an integrator in each load"

ADVICE: Mapping[Reason, Advice] = {
    Reason.READY: Advice("Ready. Keep it covered until it is needed.", "16 CCR 979 (older text)"),
    Reason.IN_USE: Advice("In use. It counts as soiled from the moment it was opened.", _HOUSE),
    Reason.OUT_OF_USE: Advice("Out of use. Have it checked before it is brought back.", _HOUSE),
    Reason.CLEAN_NEXT: Advice(
        "Soiled. Remove debris and wash with soap and water, or wipe clean if it may not get wet.",
        _VIRGINIA,
    ),
    Reason.RINSE_NEXT: Advice("Washed. Rinse it.", _VIRGINIA),
    Reason.DRY_NEXT: Advice("Rinsed. Dry it on a clean paper towel.", _VIRGINIA),
    Reason.DISINFECT_NEXT: Advice(
        "Clean. Disinfect: immerse fully with hinges open, or wipe wet, for the whole label time.",
        _LABEL,
    ),
    Reason.CONTACT_RUNNING: Advice("Leave it wet until the contact time is complete.", _LABEL),
    Reason.CONTACT_COMPLETE: Advice(
        "Contact time complete. Lift and rinse it, or let it air-dry if it was wiped.", _VIRGINIA
    ),
    Reason.FINAL_RINSE_NEXT: Advice("Disinfected. Rinse it.", _VIRGINIA),
    Reason.FINAL_DRY_NEXT: Advice("Disinfected. Dry it before it is stored.", _VIRGINIA),
    Reason.STORE_NEXT: Advice("Dry. Store it in the clean, covered place.", "19 NYCRR 160.17(c)"),
    Reason.USED_UNCLEARED: Advice(
        "It was used without having been cleared. Tell the lead; clean and disinfect it now.",
        _HOUSE,
    ),
    Reason.NOT_CLEANED: Advice(
        "It went in uncleaned. Lift it, discard the bath, wash, rinse, dry, start in a fresh bath.",
        _COMMON,
    ),
    Reason.NOT_WASHED: Advice("Rinsing is not cleaning. Wash it first.", _VIRGINIA),
    Reason.NOT_RINSED_AND_DRIED: Advice(
        "It went in wet from the wash. Lift it, rinse, dry, and immerse it again.", _VIRGINIA
    ),
    Reason.PARTS_NOT_REMOVED: Advice(
        "Take the removable parts off, then wipe it clean.", "Okla. 175:10-7-6(l)"
    ),
    Reason.NOT_FULLY_OPEN: Advice(
        "Not wholly under, or a hinge closed. Open it and immerse it again; the time starts anew.",
        _LABEL,
    ),
    Reason.LIFTED_EARLY: Advice(
        "Lifted before the contact time was complete. Immerse it again for the whole time.", _LABEL
    ),
    Reason.DRIED_EARLY: Advice(
        "It dried before the contact time was complete. Wet it again; the time starts anew.",
        "Okla. 175:10-7-5(f)-(g)",
    ),
    Reason.AGENT_UNKNOWN: Advice("Say which bath or product it was, then start over.", _HOUSE),
    Reason.NOT_MIXED: Advice(
        "This names a product as it comes, not a bath. Put on record what was poured into which "
        "container, name that bath, and start over.",
        "product label; US EPA DIS/TSS-15 items 2-6",
    ),
    Reason.NO_LABEL_CONTACT_TIME: Advice(
        "No label contact time is on file for this product. Use one that has it.",
        "US EPA DIS/TSS-15 items 2-6",
    ),
    Reason.SOLUTION_NOT_AS_LABEL: Advice(
        "The bath was not mixed as its label says. Mix a fresh one and start over.", _HOUSE
    ),
    Reason.SOLUTION_ENDED: Advice(
        "The bath's use window does not cover the whole contact time. Use a fresh bath.", _HOUSE
    ),
    Reason.SOLUTION_USED_UP: Advice(
        "The label's number of uses is reached. Use a fresh bath.", "US EPA DIS/TSS-15 item 7"
    ),
    Reason.BATH_VOIDED: Advice(
        "Something uncleaned or bloody went into the bath. Discard it; clean and start over.",
        _COMMON,
    ),
    Reason.BATH_OVERFULL: Advice(
        "More lay in the bath than it covers. Take some out and immerse the rest again; the time starts anew.",
        "16 CCR 978(a)(4)-(5): big enough for full immersion; the number is house policy",
    ),
    Reason.NOT_FOR_THIS_IMPLEMENT: Advice(
        "The product's label says it is not for this. Lift it, rinse it, look it over, use another product.",
        "product label; US EPA DIS/TSS-15 items 2-6",
    ),
    Reason.AGENT_NOT_FOR_BLOOD: Advice(
        "Blood was seen: this needs a hospital-type disinfectant, for the whole label time.",
        "common practice; Mich. R 339.6039 for surfaces",
    ),
    Reason.NOT_FOR_IMMERSION: Advice(
        "This must not be immersed. Take it out and have it checked before anyone uses it.", _COMMON
    ),
    Reason.NEEDS_IMMERSION: Advice(
        "Wiping does not clear this one. Wash, rinse, dry and immerse it.", _HOUSE
    ),
    Reason.NEEDS_STERILISING: Advice(
        "This must be sterilised: clean and dry it, pack it, put it into a load. A bath, a wipe or a "
        "UV box does not clear it.",
        "19 NYCRR 160.17(b)",
    ),
    Reason.STILL_DRYING: Advice("Let it air-dry for 2 to 4 min after the wet time.", _COMMON),
    Reason.FINAL_RINSE_SKIPPED: Advice("It was not rinsed after the bath. Rinse, dry.", _VIRGINIA),
    Reason.STORED_WET: Advice("It was put away wet. Dry it, then store it.", _VIRGINIA),
    Reason.STORED_UNCLEARED: Advice(
        "It was put away without having been cleared. Start its way back.", _HOUSE
    ),
    Reason.STORED_UNCOVERED: Advice(
        "It was put away uncovered and counts as soiled. Clean and disinfect it.",
        "16 CCR 979 (older text); counting it as soiled is house policy",
    ),
    Reason.STERILISE_NEXT: Advice("Packed. Put it into a load of the steriliser.", _MAKER),
    Reason.RELEASE_NEXT: Advice(
        "In a load. Nothing in it may be used until the load is finished and its integrator has passed.",
        _INTEGRATOR,
    ),
    Reason.NOT_FOR_STERILISING: Advice(
        "This must not go into a steriliser. Have it checked; wipe it for the label's time.", _MAKER
    ),
    Reason.PACKED_UNCLEANED: Advice(
        "It was packed soiled. Take it out; wash, rinse and dry it, and use a new pouch.", _COMMON
    ),
    Reason.PACKED_WET: Advice(
        "It was packed wet. Take it out, rinse and dry it, and use a new pouch.", _COMMON
    ),
    Reason.NOT_PACKED: Advice(
        "It went into the load without a fresh pouch. Pack it and sterilise it again.", _COMMON
    ),
    Reason.LOADED_UNCLEANED: Advice(
        "It went into the load soiled. Wash, rinse and dry it, pack it and sterilise it again.",
        _COMMON,
    ),
    Reason.LOAD_FAILED: Advice(
        "Its load was not released. Find out why; then pack it anew and sterilise it again.",
        _INTEGRATOR,
    ),
    Reason.RECALLED: Advice(
        "A spore test failed after its load. Do not use it. Clean and pack it anew, and sterilise "
        "it in a steriliser whose tests passed. Ask your local health department what else to do.",
        "Minn. R. 2105.0377; Ontario health unit, sterilisation page",
    ),
    Reason.POUCH_OPENED: Advice(
        "Its pouch was opened, torn or wet. Pack it anew and sterilise it again.", _MAKER
    ),
    Reason.SHELF_LIFE_OVER: Advice(
        "Its pouch is past its shelf life. Pack it anew and sterilise it again.", _MAKER
    ),
}
