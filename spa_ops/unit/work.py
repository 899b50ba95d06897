"""The unit of work: one transaction, and what it collects for the evidence log and the feeds.

The outermost action opens the durable transaction; inner ones join it by savepoint, and a
rolled-back savepoint drops what it collected. At the end one SQL function writes ledger heads,
entries, feeds and changes as the last call before commit: the feed's counter row must be taken
last (a reader that saw 8 has then seen 7), and one call halves the time other writers wait.
"""

import functools
import struct
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from dataclasses import dataclass, field
from datetime import datetime
from hashlib import sha256
from typing import Any, ParamSpec, TypeVar
from uuid import UUID

import orjson
import psycopg
from django.db import (
    DEFAULT_DB_ALIAS,
    IntegrityError,
    OperationalError,
    connection,
    connections,
    transaction,
)
from psycopg.errors import error_from_result
from psycopg.pq import DiagnosticField, ExecStatus, TransactionStatus

from spa_ops.kernel.actor import Actor
from spa_ops.kernel.problems import Busy, Problem, all_problems
from spa_ops.unit.models import StoredOutcome
from spa_ops.unit.problems import AlreadyExists, KeyReused, RequestInProgress, UnknownReference

P = ParamSpec("P")
T = TypeVar("T")


@dataclass(frozen=True, slots=True, kw_only=True)
class Evidence:
    """One thing that happened, for the chain of `location_id` (None: the business's own chain)."""

    kind: str
    location_id: UUID | None
    subject_id: UUID
    facts: dict[str, Any]
    personal: dict[str, Any] | None = None
    client_id: UUID | None = None
    occurred_at: datetime | None = None
    device_entry_n: int | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Change:
    """One pointer for each feed in `feeds`: this entity is now at `version`."""

    entity: str
    entity_id: UUID
    version: int
    feeds: tuple[UUID, ...]
    op: str = "upsert"


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What a keyed command led to; `replayed` when it had been done before."""

    status: int
    entity: str = ""
    entity_id: UUID | None = None
    version: int | None = None
    replayed: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class RequestKey:
    """An `Idempotency-Key` and the digest of what was asked with it."""

    key: str
    digest: bytes


@dataclass(slots=True)
class UnitOfWork:
    """What one transaction has collected so far."""

    actor: Actor
    now: datetime
    collected: list[Evidence | Change] = field(default_factory=list)

    def evidence(self, kind: str, **fields: Any) -> None:
        """Collect an evidence entry; its kind's schema is checked at the flush."""
        self.collected.append(Evidence(kind=kind, **fields))

    def publish(self, **fields: Any) -> None:
        """Collect a feed change."""
        self.collected.append(Change(**fields))


#: item type -> what turns all collected items of that type into the payload of `unit_flush`.
Flusher = Callable[[UnitOfWork, list[Any]], list[dict[str, Any]]]
FLUSHERS: dict[type, Flusher] = {}
#: constraint name -> the problem that its violation means.
CONSTRAINT_PROBLEMS: dict[str, Callable[[], Problem]] = {}

_current: ContextVar[UnitOfWork | None] = ContextVar("unit_of_work", default=None)


def current() -> UnitOfWork:
    """The running unit of work; a programming error outside one."""
    unit = _current.get()
    if unit is None:
        raise RuntimeError("only inside an action")
    return unit


def set_business(business_id: UUID | None) -> None:
    """Let the rest of this transaction see one business's rows (row-level security)."""
    database = connections[DEFAULT_DB_ALIAS]
    database.ensure_connection()
    raw, known = database.connection, business_id.hex if business_id else ""
    if raw.autocommit or raw.info.transaction_status != TransactionStatus.IDLE:
        with database.cursor() as cursor:
            cursor.execute("SELECT set_config('spa.business', %s, true)", [known])
        return
    # The driver would send BEGIN by itself first: together they take one way to the server, not two.
    words = f"BEGIN; SELECT set_config('spa.business', '{known}', true)"
    with database.wrap_database_errors:
        answer = raw.pgconn.exec_(words.encode())
        if answer.status != ExecStatus.TUPLES_OK:
            # A lost connection has no state of the server's.
            told = answer.error_field(DiagnosticField.SQLSTATE) is not None
            raise (
                error_from_result(answer)
                if told
                else psycopg.OperationalError(answer.get_error_message())
            )


@contextmanager
def reading(business_id: UUID) -> Iterator[None]:
    """A transaction for reads of one business."""
    with transaction.atomic():
        set_business(business_id)
        yield


@contextmanager
def snapshot(business_id: UUID) -> Iterator[None]:
    """Like `reading`, but every statement inside sees the same instant (repeatable read)."""
    outermost = not connection.in_atomic_block
    with transaction.atomic():
        if outermost:
            with connection.cursor() as cursor:
                cursor.execute("SET TRANSACTION ISOLATION LEVEL REPEATABLE READ, READ ONLY")
        set_business(business_id)
        yield


def action(function: Callable[P, T]) -> Callable[P, T]:
    """Make a keyword-only function with `actor` and `now` an action: see the module's docstring.

    Deadlocks and serialisation failures are retried twice, then `Busy`.
    """

    @functools.wraps(function)
    def wrapper(*args: P.args, **kwargs: P.kwargs) -> T:
        unit = _current.get()
        if unit is not None:
            with _joined(unit):
                return function(*args, **kwargs)
        return run(
            lambda: function(*args, **kwargs),
            actor=kwargs["actor"],  # type: ignore[arg-type]
            now=kwargs["now"],  # type: ignore[arg-type]
        )

    return wrapper


def run(
    body: Callable[[], T], *, actor: Actor, now: datetime, key: RequestKey | None = None
) -> T | Outcome:
    """Run `body` as the outermost action. With a key, `body` must return an `Outcome`.

    Raises what `body` raises; `RequestInProgress`, `KeyReused`; `Busy` after the third deadlock.
    """
    for attempt in (1, 2, 3):
        try:
            return _run_once(body, actor, now, key)
        except OperationalError as error:
            state = getattr(error.__cause__, "sqlstate", None)
            if state == "55P03":
                raise Busy from error
            if state not in {"40P01", "40001"}:
                raise
            if attempt == 3:
                raise Busy from error
        except IntegrityError as error:
            raise problem_of(error) from error
    raise AssertionError("unreachable")


def problem_of(error: IntegrityError) -> Problem | IntegrityError:
    """The problem that a broken constraint means, or the error itself if none is known."""
    diag = getattr(error.__cause__, "diag", None)
    name = getattr(diag, "constraint_name", None) or ""
    if name in CONSTRAINT_PROBLEMS:
        return CONSTRAINT_PROBLEMS[name]()
    known = {"23503": UnknownReference, "23505": AlreadyExists}
    kind = known.get(getattr(error.__cause__, "sqlstate", ""))
    return kind() if kind else error


def _run_once(
    body: Callable[[], T], actor: Actor, now: datetime, key: RequestKey | None
) -> T | Outcome:
    unit = UnitOfWork(actor=actor, now=now)
    refused: Problem | None = None
    token = _current.set(unit)
    try:
        with transaction.atomic(durable=True):
            set_business(actor.business_id)
            if key is not None:
                stored = _stored(actor, key)
                if stored is not None:
                    return _replay(stored, key)
            try:
                if key is None:
                    result = body()
                else:
                    with _joined(unit):
                        result = body()
            except Problem as problem:
                if key is None or problem.retryable:
                    raise
                refused = problem
                _store(actor, now, key, Outcome(status=problem.status), slug=problem.slug)
            else:
                if key is not None:
                    assert isinstance(result, Outcome)  # noqa: S101
                    _store(actor, now, key, result)
                _flush(unit)
    finally:
        _current.reset(token)
    if refused is not None:
        raise refused
    return result


@contextmanager
def _joined(unit: UnitOfWork) -> Iterator[None]:
    before = len(unit.collected)
    try:
        with transaction.atomic():
            yield
    except BaseException:
        del unit.collected[before:]
        raise


def _stored(actor: Actor, key: RequestKey) -> StoredOutcome | None:
    name = sha256(f"{actor.business_id}/{actor.principal}/{key.key}".encode()).digest()
    with connection.cursor() as cursor:
        cursor.execute("SELECT pg_try_advisory_xact_lock(%s)", struct.unpack(">q", name[:8]))
        if not cursor.fetchone()[0]:
            raise RequestInProgress
    return StoredOutcome.objects.filter(
        business_id=actor.business_id, principal=actor.principal, key=key.key
    ).first()


def _replay(stored: StoredOutcome, key: RequestKey) -> Outcome:
    if bytes(stored.request_digest) != key.digest:
        raise KeyReused
    if stored.slug:
        kind = next((k for k in all_problems() if k.slug == stored.slug), Problem)
        problem = kind.__new__(kind)
        Problem.__init__(
            problem, replayed=True, **({"errors": []} if stored.slug == "invalid-input" else {})
        )
        raise problem
    return Outcome(
        status=stored.status,
        entity=stored.entity,
        entity_id=stored.entity_id,
        version=stored.entity_version,
        replayed=True,
    )


def _store(actor: Actor, now: datetime, key: RequestKey, outcome: Outcome, slug: str = "") -> None:
    StoredOutcome(
        business_id=actor.business_id,
        principal=actor.principal,
        key=key.key,
        request_digest=key.digest,
        status=outcome.status,
        slug=slug,
        entity=outcome.entity,
        entity_id=outcome.entity_id,
        entity_version=outcome.version,
        created_at=now,
    ).save(force_insert=True)


def _flush(unit: UnitOfWork) -> None:
    if not unit.collected:
        return
    payload: dict[str, list[dict[str, Any]]] = {}
    for kind in dict.fromkeys(type(item) for item in unit.collected):
        flusher = FLUSHERS.get(kind)
        if flusher is None:
            raise RuntimeError(f"nothing flushes {kind.__name__}")
        payload[kind.__name__.lower()] = flusher(
            unit, [i for i in unit.collected if type(i) is kind]
        )
    with connection.cursor() as cursor:
        cursor.execute(
            "SELECT unit_flush(%s::jsonb, %s::jsonb)",
            [orjson.dumps(payload.get(kind, [])).decode() for kind in ("evidence", "change")],
        )
