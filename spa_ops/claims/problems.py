"""Problems of claims."""

from spa_ops.kernel.problems import Problem


class ClaimClash(Problem):
    """Somebody or something is taken at that time. `clashes` says what, what for, and until when; of
    time that is only held also by whom (`held_by`) and until when it is (`held_until`).
    Where a plan was asked for that can be asked for anew, `alternatives` are up to three options of
    the next seven days for the same lines, as the search for starts gives them: fresh, and not held.
    For visits that belong together each of them has `visits`, an option for each.
    Where more minutes were asked for, `free_minutes` says how many nobody else has (null: not known).
    """

    slug, status, title = "claim-clash", 409, "Already taken"

    @property
    def detail(self) -> str:
        return (
            "; ".join(
                f"the {c['kind']} is held by {c.get('held_by') or 'another desk'} until {c['held_until']}"
                if "held_until" in c
                else f"the {c['kind']} is taken for {c['phase']} until {c['until']}"
                for c in self.fields.get("clashes", [])
            )
            or self.title
        )
