"""Taking spans: all or none, and a hold that has expired is nobody's."""

from datetime import timedelta

import pytest

from spa_ops.claims.actions import Wanted, claim, release
from spa_ops.claims.models import Claim, Phase
from spa_ops.claims.problems import ClaimClash
from spa_ops.kernel.ids import uuid7
from spa_ops.kernel.intervals import Period
from spa_ops.unit.work import action, reading
from tests.world import BUSINESS, actor, uid


@action
def take(*, actor, now, spans, **more):
    claim(wanted=spans, now=now, visit_id=more.pop("visit_id", None) or uuid7(), **more)


def span(now, what, first, last):
    """From `first` to `last` minutes after now."""
    period = Period(now + timedelta(minutes=first), now + timedelta(minutes=last))
    return Wanted(bookable_id=uid(what), period=period, phase=Phase.SERVICE)


def held():
    with reading(BUSINESS):
        return sorted(Claim.objects.values_list("span", flat=True), key=lambda s: s.lower)


def test_a_hold_that_has_expired_gives_way_and_one_that_has_not_does_not(db, now):
    until = now + timedelta(minutes=10)
    take(actor=actor("lena"), now=now, spans=[span(now, "room 1", 60, 90)], hold_expires_at=until)
    wanted = [span(now, "room 1", 80, 120), span(now, "petra", 80, 120)]
    just_before = until - timedelta(microseconds=1)
    with pytest.raises(ClaimClash) as refused:
        take(actor=actor("lena"), now=just_before, spans=wanted)
    assert [c["kind"] for c in refused.value.fields["clashes"]] == ["room"]
    assert len(held()) == 1
    take(actor=actor("lena"), now=until, spans=wanted)
    assert [s.lower for s in held()] == [now + timedelta(minutes=80)] * 2


def test_a_clash_leaves_nothing_taken_even_where_the_caller_goes_on(db, now):
    @action
    def tries_and_goes_on(*, actor, now):
        with pytest.raises(ClaimClash):
            claim(
                wanted=[span(now, "petra", 60, 90), span(now, "room 1", 60, 90)],
                now=now,
                visit_id=uuid7(),
            )
        return list(Claim.objects.values_list("bookable_id", flat=True))

    take(actor=actor("lena"), now=now, spans=[span(now, "room 1", 89, 100)])
    assert tries_and_goes_on(actor=actor("lena"), now=now) == [uid("room 1")]


def test_one_after_the_other_is_no_clash_and_what_is_released_is_free(db, now):
    visit = uuid7()
    take(actor=actor("lena"), now=now, spans=[span(now, "room 1", 60, 90)], visit_id=visit)
    take(actor=actor("lena"), now=now, spans=[span(now, "room 1", 90, 120)])

    @action
    def frees(*, actor, now):
        return release(visit_id=visit)

    assert frees(actor=actor("lena"), now=now) == 1
    take(actor=actor("lena"), now=now, spans=[span(now, "room 1", 60, 90)])
    assert len(held()) == 2


def test_a_plan_that_needs_one_thing_twice_at_a_time_clashes_with_itself(db, now):
    with pytest.raises(ClaimClash) as refused:
        take(
            actor=actor("lena"),
            now=now,
            spans=[span(now, "petra", 60, 90), span(now, "petra", 80, 95)],
        )
    assert [c["id"] for c in refused.value.fields["clashes"]] == [str(uid("petra"))]
    assert held() == []
