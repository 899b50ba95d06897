"""What is confirmed before and after work on a client. Pure. Sources in trade-facts of the packs."""

from collections.abc import Mapping

#: Confirmed in one tap before a line starts. Hands: 21 NCAC 14H .0504 and Wis. Cos 4.01(2) (before
#: each client). Gloves and skin wiped with antiseptic first: Okla. 175:10-7-34. Wax tried on one's
#: own wrist for each client: American Academy of Dermatology, 2016 release; common practice.
BEFORE_ANY = ("hands_cleaned", "fresh_gloves", "skin_prepared")
BEFORE_WAX = ("wax_tried_on_wrist",)
WAX_METHODS = frozenset({"soft_wax", "hard_wax"})
#: Wis. Cos 4.01(2): hands washed after glove removal.
AFTER_ANY = ("gloves_off", "hands_washed")
#: Mich. R 339.6039 and Montana ARM 24.121: suspend, first aid, gloves, labelled bag.
AT_BLOOD = ("stopped", "first_aid", "fresh_gloves", "waste_bagged")

BLOOD_CAUTION = (
    "Stop. Fresh gloves. First aid and a sterile cover; no styptic stick. Bag bloody waste and mark it. "
    "No restart until the bleeding stops. Implements that were touched take the stricter way back. "
    "Heavy or lasting bleeding: medical help. Follow your board's blood-exposure rule."
)


def needed_before(method: str) -> tuple[str, ...]:
    """What must be confirmed before work by `method` starts on a client."""
    return BEFORE_ANY + (BEFORE_WAX if method in WAX_METHODS else ())


def not_confirmed(needed: tuple[str, ...], given: Mapping[str, bool]) -> list[str]:
    """Which of `needed` were not said with a plain yes, in order."""
    return [name for name in needed if given.get(name) is not True]
