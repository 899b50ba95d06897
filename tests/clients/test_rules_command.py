"""`manage.py screening_rules`: every rule with its sources and how well each is known."""

from io import StringIO

import pytest
from django.core.management import CommandError, call_command

from clients.actions_policy import set_screening_policy
from clients.rule_files import shipped_rule_set
from tests.world import BUSINESS, actor, uid


def printed(*arguments):
    out = StringIO()
    call_command("screening_rules", *arguments, stdout=out)
    return out.getvalue()


def test_every_rule_and_every_source_is_printed_with_its_strength():
    shown, rules = printed(), shipped_rule_set().rules
    first = {row.split()[0] for row in shown.splitlines() if row and not row.startswith(" ")}
    assert {rule.id for rule in rules} <= first
    # A line for each source, the heading, the count and the notice.
    assert len([row for row in shown.splitlines() if row]) == sum(len(r.sources) for r in rules) + 3
    row = next(row for row in shown.splitlines() if row.startswith("isotretinoin_after"))
    # American Academy of Dermatology, FAQ: 6 months (trade fact 7.02, read).
    for word in ("wait_until", "6 months", "published_and_read", "American Academy of Dermatology"):
        assert word in row


def test_under_a_businesss_own_policy_it_shows_whose_number_it_is(db, now):
    policy = {
        "version": "lake-1",
        "tighten": [{"rule": "topical_retinoid", "since": {"days": 21}, "why": "lifted skin"}],
    }
    set_screening_policy(actor=actor("olga"), now=now, policy=policy)
    shown = printed("--business", str(BUSINESS))
    row = next(row for row in shown.splitlines() if row.startswith("topical_retinoid"))
    assert "21 days" in row
    assert "house_policy" in shown
    assert "lifted skin" in shown
    with pytest.raises(CommandError, match="no business"):
        printed("--business", str(uid("nobody")))
