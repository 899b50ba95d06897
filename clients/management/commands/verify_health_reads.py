"""Check every chain, and each day's health reads against the digest that its entry holds."""

from typing import Any

from django.core.management.base import BaseCommand, CommandError

from clients.queries_reads import days_digested, digest_flaws
from compliance.ledger.queries import chain_head, verification
from spa_ops.tenancy import queries as tenancy
from spa_ops.unit.work import snapshot


class Command(BaseCommand):
    """Finds a read that was removed, changed or added later. Changes nothing."""

    help = __doc__

    def handle(self, *args: Any, **options: Any) -> None:
        chains = [(b, b) for b in tenancy.business_ids()] + tenancy.all_locations()
        wrong = 0
        for business_id, chain_id in chains:
            with snapshot(business_id):
                if chain_head(chain_id)[0] == 0:
                    continue
                found = verification(business_id, chain_id)
                flaws = digest_flaws(business_id, chain_id)
                days = sum(1 for _ in days_digested(chain_id))
            if found.failure is not None:
                flaws.insert(0, f"the chain itself: {found.failure.reason}")
            wrong += len(flaws)
            self.stdout.write(f"{chain_id}: {days} days, {len(flaws)} flaws")
            for flaw in flaws:
                self.stdout.write(f"  {flaw}")
        if wrong:
            raise CommandError(f"{wrong} flaws")
