"""What can be wrong in this app. A class's docstring is its text in the problem catalogue."""

from spa_ops.kernel.problems import Problem


class RetentionHolds(Problem):
    """A rule of a place where the client was served demands that the record is kept for now. Each of
    `holds` says at which location, until which local date, and by which rule. Not legal advice: your
    local board, and whoever advises you on data protection, come first.
    """

    slug, status, title = "retention-holds", 409, "Must be kept for now"

    @property
    def detail(self) -> str:
        holds = (
            f"kept until {h['until']} by {h['citation']}" for h in self.fields.get("holds", ())
        )
        return "; ".join(holds) or self.title


class RuleFileUnreadable(Problem):
    """A file of screening rules can't be read: it is missing, not YAML, or not of the shape that
    its schema asks for. `where` is the file or the place in it.
    """

    slug, status, title = "rule-file-unreadable", 422, "Rule file unreadable"
    template = "{where}: {reason}"


class RuleFileRefused(Problem):
    """The screening rules contradict themselves or lack something; none of them is used.

    Each of `faults` has `code` (such as unknown-area, missing-source, duplicate-id, area-cycle or
    order-cycle), `where` and `message`.
    """

    slug, status, title = "rule-file-refused", 422, "Rule file refused"

    @property
    def detail(self) -> str:
        faults = self.fields.get("faults", ())
        return "; ".join(f"{f['where']}: {f['code']}: {f['message']}" for f in faults) or self.title


class HousePolicyRefused(RuleFileRefused):
    """A house policy may tighten the screening rules, or choose among trade customs; this one asks
    for less than a rule that may not be loosened, or changes one that is not there.
    """

    slug, status, title = "house-policy-refused", 422, "House policy refused"


#: What whoever screens may meet: a house policy that this program's rules no longer know (decision 30).
POLICY_UNFIT = (HousePolicyRefused, RuleFileUnreadable)


class HealthConsentMissing(Problem):
    """Nothing about a client's health is kept before they agree to that. Ask the client (for a minor,
    the guardian); when they agree, record it (`POST /api/v1/clients/{id}/consents` with `purpose`
    `health_answers` and `given` true; anybody on the team may) and send the answers again. Who does
    not agree is not screened, so no service starts. Nothing was kept.
    """

    slug, status, title = "health-consent-missing", 409, "Consent to keep health answers missing"
    template = (
        "Ask the client whether their health answers may be kept, record it, and send them again."
    )


class SignatureRefused(Problem):
    """A signature holds for one text of one purpose, and a service on a minor is the guardian's to
    sign, with their relation to the client. `why` is `unknown_digest`, `other_purpose`,
    `guardian_signs` or `relation_missing`.
    """

    slug, status, title = "signature-refused", 422, "Signature refused"
    template = "The signature was refused: {why}."


class MergedAway(Problem):
    """This record was merged into another of the same person: `into` is the one that is left. Book,
    ask and record there; what was kept under this one is shown there too.
    """

    slug, status, title = "merged-away", 409, "Merged into another client"
    template = "This record was merged; go on with client {into}."


class BirthDatesDiffer(Problem):
    """The two records have different birth dates: two people, or one of the dates is wrong. Age
    decides what may be done at all, so find out and correct the wrong one first. Nothing was merged.
    """

    slug, status, title = "birth-dates-differ", 409, "Birth dates differ"
    template = "The birth dates of the two differ; correct the wrong one first."


class TooLateToUndo(Problem):
    """A merge can be undone through the last instant of 30 days of 24 hours, which is `until`. What
    was recorded since belongs to one record, and nobody could tell any more whose it is.
    """

    slug, status, title = "too-late-to-undo", 409, "Too late to undo"
    template = "The merge could be undone until {until}."
