"""What beat announces, and that a clock set back does not silence it."""

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from celery import Celery, current_app

from spa_ops import celery as background
from spa_ops.celery import WallClockScheduler

EVERY_SECONDS = 30


class TwoClocks:
    """A wall clock that can be set, and a monotonic one that only runs."""

    def __init__(self) -> None:
        self.wall_now = datetime(2026, 5, 6, 17, 0, tzinfo=UTC)
        self.running = 1000.0

    def pass_seconds(self, seconds: float) -> None:
        self.wall_now += timedelta(seconds=seconds)
        self.running += seconds

    def set_back(self, seconds: float) -> None:
        self.wall_now -= timedelta(seconds=seconds)


class Beat(WallClockScheduler):
    """The real scheduler, with one entry, our clocks, and a list in place of the broker."""

    clocks = TwoClocks()

    def wall(self) -> float:
        return self.clocks.wall_now.timestamp()

    def monotonic(self) -> float:
        return self.clocks.running

    def setup_schedule(self) -> None:
        self.sent: list[datetime] = []
        entry = {"sweep": {"task": "sweep", "schedule": EVERY_SECONDS}}
        self.merge_inplace(entry)

    def apply_entry(self, entry: object, producer: object = None) -> None:
        self.sent.append(self.clocks.wall_now)

    producer = None

    def run(self, seconds: int) -> list[datetime]:
        """Tick once a second; what was sent meanwhile."""
        before = len(self.sent)
        for _ in range(seconds):
            self.clocks.pass_seconds(1)
            while self.tick() == 0:
                pass
        return self.sent[before:]


@pytest.fixture
def beat() -> Beat:
    class OurTime(Celery):
        def now(self) -> datetime:
            return Beat.clocks.wall_now

    Beat.clocks = TwoClocks()
    return Beat(OurTime("clocks", broker="memory://", set_as_current=False))


def test_each_interval_is_announced_once(beat: Beat) -> None:
    assert len(beat.run(10 * EVERY_SECONDS + 5)) == 10


@pytest.mark.parametrize("back_seconds", [10, 60, 3600, 86400 * 30])
def test_a_clock_set_back_delays_by_one_interval_at_most(beat: Beat, back_seconds: int) -> None:
    beat.run(EVERY_SECONDS + 5)
    beat.clocks.set_back(back_seconds)
    assert len(beat.run(2 * EVERY_SECONDS + 2)) == 2


def test_without_the_watch_an_hour_back_is_an_hour_of_silence(
    beat: Beat, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The trouble that the watch is for; if this fails, the watch can go."""
    monkeypatch.setattr(beat, "begin_anew", lambda: None)
    beat.run(EVERY_SECONDS + 5)
    beat.clocks.set_back(3600)
    assert beat.run(600) == []


@pytest.mark.parametrize("forward_seconds", [1, 60, 3600])
def test_a_clock_set_forward_announces_at_once_and_only_once(
    beat: Beat, forward_seconds: int
) -> None:
    beat.run(EVERY_SECONDS + 5)
    beat.clocks.wall_now += timedelta(seconds=forward_seconds)
    assert 1 <= len(beat.run(EVERY_SECONDS + 1)) <= 2


def test_slewing_is_not_a_jump(beat: Beat) -> None:
    for _ in range(40):
        beat.run(1)
        beat.clocks.set_back(0.1)
    assert len(beat.sent) == 1


def test_every_announced_task_exists() -> None:
    schedule = background.collected_schedule()
    background.app.loader.import_default_modules()
    missing = {e["task"] for e in schedule.values()} - set(background.app.tasks)
    assert schedule
    assert not missing


def test_an_announcement_lapses_before_many_pile_up() -> None:
    for entry in background.collected_schedule().values():
        assert entry["options"]["expires"] == 2 * entry["schedule"]


def test_shared_tasks_go_to_our_broker() -> None:
    assert current_app.main == "spa_ops"
    conf = background.app.conf
    assert (conf.task_acks_late, conf.task_reject_on_worker_lost) == (True, True)
    assert conf.worker_prefetch_multiplier == 1
    assert conf.task_time_limit < conf.broker_transport_options.get("visibility_timeout", 600)


def test_beat_shows_that_it_lives(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    background.show_life()
    monkeypatch.setenv("SPA_OPS_BEAT_FILE", str(tmp_path / "beat"))
    background.show_life()
    assert (tmp_path / "beat").exists()
