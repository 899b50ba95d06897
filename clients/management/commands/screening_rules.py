"""`manage.py screening_rules`: the list of rules, their sources and how well each source is known."""

from collections import Counter
from typing import Any
from uuid import UUID

from django.core.management.base import BaseCommand, CommandError, CommandParser

from clients import queries
from clients.rule_files import shipped_rule_set
from clients.rules.listing import as_table
from spa_ops.tenancy.queries import business_ids
from spa_ops.unit.work import reading


class Command(BaseCommand):
    help = "Print every screening rule with its sources and their strength."

    def add_arguments(self, parser: CommandParser) -> None:
        parser.add_argument("--business", type=UUID, help="under this business's own policy")

    def handle(self, *, business: UUID | None = None, **_: Any) -> None:
        rules = shipped_rule_set()
        if business is not None:
            with reading(business):
                if business not in business_ids():
                    raise CommandError(f"There is no business {business}.")
                rules = queries.rule_set()
        for line in as_table(rules):
            self.stdout.write(line)
        strengths = Counter(
            source.strength.value for rule in rules.rules for source in rule.sources
        )
        counted = ", ".join(f"{n} {strength}" for strength, n in sorted(strengths.items()))
        self.stdout.write(
            f"\nVersion {rules.version}: {len(rules.rules)} rules. Sources by strength: {counted}."
        )
        self.stdout.write(rules.notice)
