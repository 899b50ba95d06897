"""Role names and the SQL that every later migration builds on."""

ROLES = """
DO $$
DECLARE r text;
BEGIN
    FOREACH r IN ARRAY ARRAY['spa_ops_app', 'spa_ops_eraser'] LOOP
        IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = r) THEN
            BEGIN
                EXECUTE format('CREATE ROLE %I NOLOGIN', r);
            EXCEPTION WHEN duplicate_object OR unique_violation THEN
                NULL;  -- another database of this server is being set up at the same time
            END;
        END IF;
    END LOOP;
    -- Whoever migrates may also run as the app: tests and single-login development do.
    IF NOT pg_has_role(current_user, 'spa_ops_app', 'USAGE') THEN
        EXECUTE format('GRANT spa_ops_app TO %I', current_user);
    END IF;
END $$;
"""

REFUSE_CHANGE = """
CREATE FUNCTION refuse_change() RETURNS trigger LANGUAGE plpgsql AS $$
BEGIN
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'insufficient_privilege';
END $$;
"""

# Of an append-only row the one column of words may be blanked, once the key of its client is destroyed.
# Arguments: that column, the column of the reference, the table that has the client.
REFUSE_CHANGE_BUT_BLANK = """
CREATE FUNCTION refuse_change_but_blank() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    subject uuid;
BEGIN
    IF TG_OP = 'UPDATE' AND to_jsonb(NEW) ->> TG_ARGV[0] = ''
        AND to_jsonb(NEW) - TG_ARGV[0] = to_jsonb(OLD) - TG_ARGV[0]
    THEN
        EXECUTE format('SELECT client_id FROM %I WHERE id = $1', TG_ARGV[2])
            INTO subject USING (to_jsonb(NEW) ->> TG_ARGV[1])::uuid;
        IF EXISTS (SELECT FROM tenancy_subject_key WHERE id = subject AND destroyed_at IS NOT NULL) THEN
            RETURN NEW;
        END IF;
    END IF;
    RAISE EXCEPTION '% is append-only: % refused', TG_TABLE_NAME, TG_OP USING ERRCODE = 'insufficient_privilege';
END $$;
"""

# Arguments: column, states in which a row begins, legal moves, the counter of corrections.
REFUSE_ILLEGAL_MOVE = """
CREATE FUNCTION refuse_illegal_move() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    after text := to_jsonb(NEW) ->> TG_ARGV[0];
    before text;
BEGIN
    IF TG_OP = 'INSERT' THEN
        IF jsonb_exists(TG_ARGV[1]::jsonb, after) THEN RETURN NEW; END IF;
    ELSE
        before := to_jsonb(OLD) ->> TG_ARGV[0];
        IF before = after OR jsonb_exists(TG_ARGV[2]::jsonb -> before, after)
            OR (to_jsonb(NEW) ->> TG_ARGV[3])::int = (to_jsonb(OLD) ->> TG_ARGV[3])::int + 1
                AND jsonb_exists(TG_ARGV[2]::jsonb, after)
        THEN RETURN NEW; END IF;
    END IF;
    RAISE EXCEPTION '%.%: no move from % to %', TG_TABLE_NAME, TG_ARGV[0], coalesce(before, 'nothing'), after
        USING ERRCODE = 'check_violation';
END $$;
"""

# Arguments: the columns.
REFUSE_REWRITING = """
CREATE FUNCTION refuse_rewriting() RETURNS trigger LANGUAGE plpgsql AS $$
DECLARE
    was jsonb := to_jsonb(OLD);
    written jsonb := to_jsonb(NEW);
    name text;
BEGIN
    FOREACH name IN ARRAY TG_ARGV LOOP
        IF was ->> name IS NOT NULL AND was -> name IS DISTINCT FROM written -> name THEN
            RAISE EXCEPTION '%.% is written once', TG_TABLE_NAME, name USING ERRCODE = 'check_violation';
        END IF;
    END LOOP;
    RETURN NEW;
END $$;
"""

# plpgsql looks its functions up when it runs: the ledger's and the feed's come with their own apps.
UNIT_FLUSH = """
CREATE FUNCTION unit_flush(entries jsonb, changes jsonb) RETURNS void LANGUAGE plpgsql AS $$
BEGIN
    IF jsonb_array_length(entries) > 0 THEN PERFORM ledger_append(entries); END IF;
    IF jsonb_array_length(changes) > 0 THEN PERFORM sync_publish(changes); END IF;
END $$;
"""
