"""The rules of `visit.yaml`, as they must come out of screening."""

from datetime import date

from clients.rules.model import PatchTest
from tests.clients.rules.expected.words import (
    BY_ALL,
    IN_FACE,
    STRIP,
    TINT,
    WAX,
    flagged,
    row,
)

ROWS = [
    row(
        "patch_test_due",
        "patch_test_first",
        passes_on=date(2025, 9, 2),
        line=(("patch_test", PatchTest.DUE),),
        not_line=(("patch_test", PatchTest.VALID),),
    ),
    row(
        "patch_test_positive",
        "do_not_treat",
        line=(("patch_test", PatchTest.POSITIVE),),
        not_line=(("patch_test", PatchTest.VALID),),
    ),
    flagged("age_unknown", "ask_first"),
    flagged("guardian_consent_missing", "do_not_treat"),
    flagged("guardian_not_present", "do_not_treat"),
    flagged("under_age_floor", "do_not_treat"),
    flagged("intimate_consent_missing", "ask_first"),
    row(
        "nothing_after_waxing",
        "wait_until",
        methods=TINT | {"facial"},
        condition="other_order",
        override=BY_ALL,
        after=(
            ("soft_wax", "lip", True),
            ("hard_wax", "face", True),
            ("soft_wax", "chin", False),
            ("tweezing", "lip", False),
            ("peel", "lip", False),
        ),
    ),
    row(
        "exfoliating_after_waxing",
        "wait_until",
        methods=STRIP,
        condition="another_day",
        after=(
            ("soft_wax", "lip", True),
            ("hard_wax", "face", True),
            ("soft_wax", "chin", False),
            ("tweezing", "lip", False),
            ("tint", "lip", False),
        ),
    ),
    row(
        "waxing_after_exfoliating",
        "wait_until",
        methods=WAX,
        condition="another_day",
        after=(
            ("peel", "lip", True),
            ("dermaplaning", "lip", True),
            ("microdermabrasion", "face", True),
            ("peel", "chin", False),
            ("tint", "lip", False),
        ),
    ),
    row(
        "face_first",
        "proceed_with_care",
        areas=IN_FACE | {"face"},
        after=(
            ("soft_wax", "toes", True),
            ("massage", "foot", True),
            ("soft_wax", "bikini", True),
            ("soft_wax", "intimate", True),
            ("soft_wax", "buttocks", True),
            ("soft_wax", "lower_leg", False),
            ("soft_wax", "brow", False),
            ("massage", "body", False),
        ),
    ),
]
