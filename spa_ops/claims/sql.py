"""The SQL that takes time."""

# Row by row, ON CONFLICT asks the constraint twice; to let a clash end the whole call is a quarter
# cheaper, and a clash is rare. It runs as whoever calls, so row-level security holds.
CLAIMS_TAKE = """
CREATE FUNCTION claims_take(business uuid, plan uuid, held_until timestamptz, spans jsonb) RETURNS boolean
LANGUAGE plpgsql SET search_path = public, pg_temp AS $$
BEGIN
    INSERT INTO claims_claim (id, business_id, bookable_id, number, span, phase, visit_id, line_id,
                              hold_expires_at)
    SELECT w.id, business, w.bookable, int8range(w.number, w.number, '[]'),
           tstzrange(w.from_at, w.until_at), w.phase, plan, w.line, held_until
    FROM jsonb_to_recordset(spans) AS w(id uuid, bookable uuid, number bigint, from_at timestamptz,
                                        until_at timestamptz, phase text, line uuid);
    RETURN true;
EXCEPTION WHEN exclusion_violation THEN
    RETURN false;
END $$;
REVOKE ALL ON FUNCTION claims_take(uuid, uuid, timestamptz, jsonb) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION claims_take(uuid, uuid, timestamptz, jsonb) TO spa_ops_app;
"""
