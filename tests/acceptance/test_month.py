"""A month at an invented location of six rooms, through the actions: nothing illegal, every trace complete.

Three days with few visits in the suite; all of it, 5,040 visits, takes about half an hour:
`MONTH_DAYS=30 MONTH_VISITS_A_ROOM_DAY=28 pytest -s tests/acceptance/test_month.py`.
"""

import os
import random
from statistics import mean, median

from tests.acceptance.month import checks, scene
from tests.acceptance.month.days import Month

DAYS = int(os.environ.get("MONTH_DAYS", "3"))
A_DAY = int(os.environ.get("MONTH_VISITS_A_ROOM_DAY", "3"))


def test_nothing_illegal_happens_in_a_month_and_every_trace_is_complete(own_database, capsys):
    visits = DAYS * A_DAY * scene.ROOMS
    # Nobody comes more often than there are areas; a multiple of three lets these take turns.
    month = Month(scene.build(3 * (visits // 8 + 1)), DAYS, A_DAY, random.Random(5))
    month.run()
    assert checks.flaws() == []
    cleared, not_cleared = checks.uses_against_their_past()
    assert checks.traces_differing(month) == []
    assert checks.stock_differing(month.shelf) == []
    assert checks.lots_differing(month) == []
    met = month.met
    assert met["booked"] == visits == met["cancelled"] + met["did not come"] + met["treated"] + met[
        "not treated"
    ]  # fmt: skip
    assert met["treated"] > 0.8 * visits and met["turned over"] >= met["treated"]
    off = [abs(seconds) for seconds in month.errors]
    with capsys.disabled():
        print(
            f"\n{dict(sorted(met.items()))}; kits opened cleared {cleared}, not cleared {not_cleared}"
        )
        print(
            f"room ready: {len(off)} forecasts at the client's leaving, off by {mean(off):.0f} s on average, "
            f"median {median(off):.0f} s, at most {max(off):.0f} s"
        )
        print(
            f"stock: {'; '.join(checks.stock_forecast_errors(DAYS)) or 'no whole week yet to forecast'}"
        )
