"""Every shipped rule once, written out by hand: what it is about, where it bears, until when.

Nothing here is read from the rule files. Days are counted from one event on 31 August 2025, so
that month ends stand in the way; they were worked out by hand. The sources of the published
numbers stand beside them in `test_published_numbers`; all others are common practice, house
policy or from memory, as their sources in the rule files say.
"""

from tests.clients.rules.expected import health, medicines, procedures, skin, visit

ROWS = [*skin.ROWS, *medicines.ROWS, *procedures.ROWS, *health.ROWS, *visit.ROWS]
