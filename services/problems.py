"""Problems of the price list, bookings, visits and check-out."""

from spa_ops.kernel.problems import Problem


class VisitsAhead(Problem):
    """The client has visits that are not over; `visits` lists them. Cancel them first, or say
    `cancel_visits`; one that has begun has to end.
    """

    slug, status, title = "visits-ahead", 409, "Visits ahead"

    @property
    def detail(self) -> str:
        if "visits" not in self.fields:
            return self.title
        return f"{len(self.fields['visits'])} visits of this client are not over."


class VisitsToMove(Problem):
    """The client to be merged has visits that are not over. `visits` lists them, each with the visits of
    the other one that it `overlaps`: nobody can be in two places. Book them anew for the one that is
    left, at another time where they overlap, and cancel these; one that has begun has to end. Nothing
    was merged.
    """

    slug, status, title = "visits-to-move", 409, "Visits to move first"

    @property
    def detail(self) -> str:
        if "visits" not in self.fields:
            return self.title
        return f"{len(self.fields['visits'])} visits of the client to be merged are not over."


class DayChanged(Problem):
    """The day is not as it was when this was proposed: `visit_ids` are booked visits that have changed,
    come or gone since. Nobody was moved; ask for a new proposal.
    """

    slug, status, title = "day-changed", 409, "The day has changed"
    template = "Not as proposed any more: {visit_ids}."


class OffShift(Problem):
    """The practitioner is not on shift at this location for all of that time."""

    slug, status, title = "off-shift", 409, "Not on shift"
    template = "Line {line}: the practitioner is not on shift from {start} to {end}."


class OutsideOpeningHours(Problem):
    """The location is closed at that time."""

    slug, status, title = "outside-opening-hours", 409, "Outside opening hours"
    template = "The location is closed at {at}."


class PreviewOutdated(Problem):
    """Since the preview that was shown, visits, shifts or the location itself have changed: look again."""

    slug, status, title = "preview-outdated", 409, "The preview is outdated"
    template = "What would change is not what was shown any more; ask for the preview again."


class TooSoon(Problem):
    """The house takes no booking so shortly before: its policy `lead_minutes`. A walk-in is no booking."""

    slug, status, title = "too-soon", 409, "Too soon"
    template = "The first start that can be booked now is {first}."


class TooFarAhead(Problem):
    """The house's diary is not open that far ahead yet: its policy `horizon_days`."""

    slug, status, title = "too-far-ahead", 409, "Too far ahead"
    template = "Starts can be booked until {last}."


class SkillMissing(Problem):
    """The practitioner's skills do not cover the service."""

    slug, status, title = "skill-missing", 409, "Skill missing"
    template = "Line {line}: this practitioner does not perform this service."


class OtherPractitionerChosen(Problem):
    """For intimate services the client chose who performs them; `chosen_id` names who. Book that
    practitioner, or ask the client and change the choice on their record first.
    """

    slug, status, title = "other-practitioner-chosen", 409, "The client chose another practitioner"
    template = "Line {line}: for this service the client chose another practitioner."


class DoNotBook(Problem):
    """A lead has set that this client is not booked. Ask a lead: why is theirs to know, and theirs to lift."""

    slug, status, title = "do-not-book", 409, "This client is not booked"


class ConditionNotMet(Problem):
    """A standing condition of the client speaks against this practitioner: `condition` says whether they
    are not wanted (`refused_practitioner`), another one is required (`preferred_practitioner`), or
    they do not speak a language that is required (`language`). Choose another, or lift it first.
    """

    slug, status, title = "condition-not-met", 409, "A condition is not met"
    template = "Line {line}: the client's condition {condition} speaks against this practitioner."


class RoomLacksFeature(Problem):
    """The room does not have what the service needs; `missing` names it."""

    slug, status, title = "room-lacks-feature", 409, "Room lacks a feature"
    template = "Line {line}: the room lacks {missing}."


class KitMissing(Problem):
    """The service needs a kit of a kind that was not named, or the kit is of another kind or place."""

    slug, status, title = "kit-missing", 409, "Kit missing"
    template = "Line {line} needs a kit of the kind {kind}."


class InThePast(Problem):
    """A booking starts now or later. What already happened is recorded as a walk-in when it begins."""

    slug, status, title = "in-the-past", 409, "In the past"


class TooManyHolds(Problem):
    """This device, or person, holds as many options as it may; `most` says how many. Release one first."""

    slug, status, title = "too-many-holds", 409, "Too many holds"
    template = "No more than {most} options are held at a time."


class HoldOver(Problem):
    """The hold ran out, was released or was booked; `state` says which. Its time is anybody's again,
    unless it was booked: book without it, or hold anew.
    """

    slug, status, title = "hold-over", 409, "Hold is over"
    template = "The hold is {state}; it was until {expires_at}."


class HeldByAnother(Problem):
    """Another device or person holds this. They book or release it; a lead may release it too."""

    slug, status, title = "held-by-another", 409, "Held by another"
    template = "It is held by {held_by} until {until}."


class OfferOver(Problem):
    """The offer from the waiting list was accepted, declined or withdrawn, or its time is over; `state` says
    which. If the time is still free, book it as any other.
    """

    slug, status, title = "offer-over", 409, "Offer is over"
    template = "The offer is {state}; it was until {expires_at}."


class HoldDiffers(Problem):
    """A hold is booked as it was held, or with fewer lines: the same services, practitioners, rooms and
    kits in the same order, beginning within the held time. For anything else release it and book.
    """

    slug, status, title = "hold-differs", 409, "The hold is of something else"


class NotTheDay(Problem):
    """The visit is on another day at this location."""

    slug, status, title = "not-the-day", 409, "Not the day"
    template = "The visit is on {on}; today is {today} at this location."


class NotScreened(Problem):
    """The line has no verdict of today. Hold the consultation first: it is asked anew every day."""

    slug, status, title = "not-screened", 409, "Not screened today"


class ScreeningForbids(Problem):
    """Screening's verdict keeps this line from starting. Who needs to know why reads the consultation.

    `verdict`, `earliest_on` and, where a patch test's lead time is waited for, `earliest_at` are what
    the desk sees, too.
    """

    slug, status, title = "screening-forbids", 409, "Screening forbids it"

    @property
    def detail(self) -> str:
        # Told again for a repeated command, it knows no verdict any more.
        verdict = str(self.fields.get("verdict", "")).replace("_", " ")
        said = f"The verdict is: {verdict}." if verdict else "Ask for the consultation's verdict."
        earliest = self.fields.get("earliest_on")
        return f"{said} Not before {earliest}." if earliest else said


class NotOverridable(Problem):
    """No override: a reason that stands may be overridden by nobody, or not in this role."""

    slug, status, title = "not-overridable", 409, "Not overridable"


class NotCovered(Problem):
    """Only someone whose own valid licence and skill cover the service may do this."""

    slug, status, title = "not-covered", 403, "Licence or skill does not cover it"


class NotHygienic(Problem):
    """Before a line starts, all of these are confirmed: hands cleaned, fresh gloves, skin prepared, and
    with wax that it was tried on one's own wrist for this client. `missing` names what was not.
    """

    slug, status, title = "not-confirmed", 409, "Not confirmed"
    template = "Not confirmed: {missing}."


class Bleeding(Problem):
    """Blood was seen and is not recorded as stopped. First aid, fresh gloves; no restart until it stops."""

    slug, status, title = "bleeding", 409, "Bleeding not stopped"


class LinesOpen(Problem):
    """The visit still has lines that are planned, running or paused; finish, stop or drop them first."""

    slug, status, title = "lines-open", 409, "Lines still open"
    template = "Still open: {count}. Finish, stop or drop each line, then let the client leave."


class KitNotCleared(Problem):
    """The kit was opened without every implement in it being cleared. Use a cleared one."""

    slug, status, title = "kit-not-cleared", 409, "Kit not cleared"

    @property
    def detail(self) -> str:
        if self.fields.get("kit_id") is None:
            return "This line has no kit, and its service needs one."
        return (
            "Not every implement of this kit is cleared. Take a cleared kit, or bring this one the whole "
            "way back; its clearance says what is left to do."
        )


class Overpaid(Problem):
    """More than is owed cannot be taken; `balance_minor` says what is owed now, in minor units."""

    slug, status, title = "more-than-owed", 409, "More than is owed"
    template = "Owed are {balance_minor} minor units of {currency}."


class NotPaid(Problem):
    """The visit cannot be checked out before everything owed is paid; `balance_minor` is still open."""

    slug, status, title = "not-paid", 409, "Not paid"
    template = "Still owed are {balance_minor} minor units of {currency}."


class PriceNeeded(Problem):
    """A line is priced in another currency than the location's: agree its price first by charging it."""

    slug, status, title = "price-needed", 409, "Price to be agreed"
    template = "A price is needed for {count} lines."


class RefundTooLarge(Problem):
    """Not more than is left of a payment can be given back; `left_minor` says how much that is."""

    slug, status, title = "refund-too-large", 409, "Refund too large"
    template = "Left of this payment are {left_minor} minor units."


class NotVoidable(Problem):
    """A payment is voided as a whole and on the local day it was taken; otherwise refund it.

    `why` is `other_day` or `given_back`.
    """

    slug, status, title = "not-voidable", 409, "Cannot be voided"
    template = "It cannot be voided: {why}. Refund it instead."


class CurrencyMismatch(Problem):
    """The location takes money in its own currency only; `currency` says which."""

    slug, status, title = "currency-mismatch", 409, "Other currency"
    template = "This location takes {currency}."


class IntakeLinkOver(Problem):
    """The link to the questions before a visit has expired, was taken back or replaced, or the visit
    is over or off. The desk can make a new one; everything can also be answered in the room.
    """

    slug, status, title = "intake-link-over", 410, "This link is over"


class IntakeSentAlready(Problem):
    """The answers were sent through this link before, and are kept as they were sent. What is to be
    changed is told in the room before the service, or through a new link from the desk.
    """

    slug, status, title = "intake-sent-already", 409, "Sent already"


class IncidentNotDone(Problem):
    """The incident cannot be closed yet: `steps` names the required ones that are not recorded as done,
    `call_backs` those that are due, by their hours.
    """

    slug, status, title = "incident-not-done", 409, "Incident not done"

    @property
    def detail(self) -> str:
        steps, calls = self.fields.get("steps", []), self.fields.get("call_backs", [])
        named = [*steps, *(f"call-back after {hours} h" for hours in calls)]
        # A replayed refusal names nothing: by now something else may be open.
        return f"Not done: {', '.join(named)}." if named else self.title


class PictureRefused(Problem):
    """Only a still photograph as JPEG, PNG or WebP is kept, known by its content: the file's name and
    declared type count for nothing. `why` is `other_format` (`found` names it: svg, html, script, pdf,
    gif, heic_or_film and so on), `damaged`, `animated`, `too_large`, `too_many_pixels`,
    `too_many_scans` or `colours`. Nothing was kept, and nothing that was there is lost.
    """

    slug, status, title = "picture-refused", 422, "Picture refused"
    template = "The picture was refused: {why} ({found})."


class PhotographConsentMissing(Problem):
    """A photograph is taken, and shown, only while the client agrees to photographs; of a minor the
    guardian has to have agreed as well. Ask, record it (`POST /api/v1/clients/{id}/consents` with
    `purpose` `photographs`), and try again. What was taken before a withdrawal is kept, unseen, until
    it is struck out or the client is erased. Nothing was kept now.
    """

    slug, status, title = "photograph-consent-missing", 409, "Consent to photographs missing"


class PhotographForbidden(Problem):
    """Of whoever is not known to be 18, no photograph of an intimate area or the chest is taken, whoever
    agrees (house policy; the law may forbid more). A missing birth date counts as a minor's. Nothing was
    kept.
    """

    slug, status, title = "photograph-forbidden", 409, "No photograph of this"


class OwnHandOver(Problem):
    """A hand-over is accepted by somebody else than who gave it, by name."""

    slug, status, title = "own-hand-over", 409, "Own hand-over"
