"""Photographs by two at once: kept once, and none outlives an erasure or a withdrawn consent."""

from clients.actions_consents import withdraw_consent
from clients.actions_erasure import Asker, Reason
from clients.models import ConsentPurpose
from services.actions import photographs
from services.actions.erasure import erase_client
from services.models import Photograph
from services.problems import PhotographConsentMissing
from services.rules.photographs import Moment, Picture, picture_of
from spa_ops.kernel import clock
from spa_ops.kernel.problems import AlreadyCorrected
from spa_ops.tenancy.sealing import Erased
from spa_ops.unit.work import reading
from tests.callers import Caller, secret_of
from tests.services import builders as build
from tests.services.pictures import encoded, halves, photograph
from tests.services.test_checkout_at_once import _at_once
from tests.services.test_merging import double
from tests.world import BUSINESS, actor


def agreed_visit(client=None):
    visit = build.visit(client=client)
    build.consent(visit.client_id, "photographs")
    return visit


def taking(visit, who="petra"):
    picture = picture_of(encoded(halves(400, 300)))
    assert isinstance(picture, Picture)
    return lambda: photographs.photograph_visit(
        actor=actor(who), now=clock.now(), visit_id=visit.id, picture=picture,
        moment=Moment.AFTER, area="brow",
    )  # fmt: skip


def rows():
    with reading(BUSINESS):
        return list(Photograph.objects.all())


def test_one_request_sent_twice_at_once_is_kept_once(own_database):
    visit, secret = agreed_visit(), secret_of("petra")

    def send():
        fields = {"picture": photograph(), "moment": "after", "area": "brow"}
        key = {"Idempotency_Key": "the same"}
        return Caller(secret).post(f"visits/{visit.id}/photographs", fields, **key)

    found = _at_once(*[send] * 4)
    assert {a.status_code for a in found} <= {201, 409}
    assert {a.body["type"] for a in found if a.status_code == 409} <= {
        "/problems/request-in-progress"
    }
    assert len(rows()) == 1
    assert send().body["id"] == str(rows()[0].id)


def test_two_photographs_at_once_are_both_kept(own_database):
    visit = agreed_visit()
    found = _at_once(taking(visit), taking(visit, "lena"))
    assert {row.id for row in rows()} == {row.id for row in found}


def test_no_picture_outlives_an_erasure(own_database, now):
    for n in range(4):
        visit = agreed_visit(double(now, f"client {n}"))
        erasing = {"client_id": visit.client_id, "asked_by": Asker.CLIENT, "reason": Reason.WISH}
        took, erased = _at_once(
            taking(visit), lambda e=erasing: erase_client(actor=actor("olga"), now=clock.now(), **e)
        )
        assert not isinstance(erased, Exception), erased
        assert isinstance(took, Photograph | Erased), took
        assert all(row.sealed_picture is None for row in rows())


def test_after_a_withdrawal_none_is_shown_whichever_came_first(own_database):
    for _ in range(4):
        visit = agreed_visit()
        withdrawn = {"client_id": visit.client_id, "purpose": ConsentPurpose.PHOTOGRAPHS}
        took, said = _at_once(
            taking(visit),
            lambda w=withdrawn: withdraw_consent(actor=actor("freya"), now=clock.now(), **w),
        )
        assert not isinstance(said, Exception), said
        if isinstance(took, Photograph):
            shown, _ = _at_once(
                lambda row=took: photographs.show_photograph(
                    actor=actor("petra"), now=clock.now(), photograph_id=row.id
                ),
                lambda: None,
            )
            assert isinstance(shown, PhotographConsentMissing)
        else:
            assert isinstance(took, PhotographConsentMissing)


def test_of_two_who_strike_it_out_one_does(own_database):
    (row,) = [taking(agreed_visit())()]
    found = _at_once(
        *(
            lambda who=who: photographs.strike_photograph(
                actor=actor(who), now=clock.now(), photograph_id=row.id, reason="blurred"
            )
            for who in ("lena", "olga")
        )
    )
    assert sorted(type(f).__name__ for f in found) == ["AlreadyCorrected", "Photograph"]
    assert any(isinstance(f, AlreadyCorrected) for f in found)
