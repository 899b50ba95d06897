"""The SQL that appends to the evidence log: the only writer of heads and entries."""

# Two halves of each header come from outside; number, previous hash and recording time are set
# here, under the head's lock, and recorded_at never runs backwards within a chain.
LEDGER_APPEND = r"""
CREATE FUNCTION ledger_append(entries jsonb) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    c record;
    e jsonb;
    top ledger_head%ROWTYPE;
    recorded timestamptz;
    text_of text;
BEGIN
    FOR c IN
        SELECT DISTINCT (i.item ->> 'chain')::uuid AS chain, (i.item ->> 'business')::uuid AS business
        FROM jsonb_array_elements(entries) AS i(item) ORDER BY 1
    LOOP
        SELECT * INTO top FROM ledger_head WHERE chain_id = c.chain FOR NO KEY UPDATE;
        IF NOT FOUND THEN
            INSERT INTO ledger_head (chain_id, business_id, n) VALUES (c.chain, c.business, 0)
            ON CONFLICT (chain_id) DO NOTHING;
            SELECT * INTO STRICT top FROM ledger_head WHERE chain_id = c.chain FOR NO KEY UPDATE;
        END IF;
        FOR e IN
            SELECT i.item FROM jsonb_array_elements(entries) WITH ORDINALITY AS i(item, at)
            WHERE (i.item ->> 'chain')::uuid = c.chain ORDER BY i.at
        LOOP
            recorded := greatest((e ->> 'recorded_at')::timestamptz, top.recorded_at);
            text_of := (e ->> 'before_n') || (top.n + 1) || (e ->> 'after_n')
                || coalesce('"' || encode(top.hash, 'hex') || '"', 'null') || ',"recorded_at":"'
                || to_char(recorded AT TIME ZONE 'UTC', 'YYYY-MM-DD"T"HH24:MI:SS.US"Z"') || '","v":1}';
            top.n := top.n + 1;
            top.hash := sha256('\x00'::bytea || convert_to(text_of, 'UTF8'));
            top.recorded_at := recorded;
            INSERT INTO ledger_entry (business_id, chain_id, n, kind, subject_id, recorded_at, occurred_at,
                                      person_id, header, hash, facts, facts_salt)
            VALUES (c.business, c.chain, top.n, e ->> 'kind', (e ->> 'subject')::uuid, recorded,
                    (e ->> 'occurred_at')::timestamptz, (e ->> 'person')::uuid, text_of, top.hash,
                    e ->> 'facts', decode(e ->> 'facts_salt', 'hex'));
            IF e ? 'sealed' THEN
                INSERT INTO ledger_personal (business_id, chain_id, n, client_id, sealed)
                VALUES (c.business, c.chain, top.n, (e ->> 'client')::uuid, decode(e ->> 'sealed', 'hex'));
            END IF;
        END LOOP;
        UPDATE ledger_head SET n = top.n, hash = top.hash, recorded_at = top.recorded_at WHERE chain_id = c.chain;
    END LOOP;
END $$;
REVOKE ALL ON FUNCTION ledger_append(jsonb) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION ledger_append(jsonb) TO spa_ops_app;
"""
