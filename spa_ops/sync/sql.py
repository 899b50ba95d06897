"""The SQL that writes the feeds."""

# The counter row of each feed is taken here, as the last thing before commit and in id order:
# commit order is number order, without holes, and two units never wait for each other in a ring.
SYNC_PUBLISH = """
CREATE FUNCTION sync_publish(changes jsonb) RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
DECLARE
    f record;
    top bigint;
BEGIN
    FOR f IN
        SELECT (c.item ->> 'feed')::uuid AS feed, (c.item ->> 'business')::uuid AS business, count(*) AS many
        FROM jsonb_array_elements(changes) AS c(item) GROUP BY 1, 2 ORDER BY 1
    LOOP
        UPDATE sync_feed SET head = head + f.many WHERE id = f.feed RETURNING head INTO top;
        IF NOT FOUND THEN
            INSERT INTO sync_feed (id, business_id, epoch, head, floor)
            VALUES (f.feed, f.business, gen_random_uuid(), 0, 0) ON CONFLICT (id) DO NOTHING;
            UPDATE sync_feed SET head = head + f.many WHERE id = f.feed RETURNING head INTO STRICT top;
        END IF;
        INSERT INTO sync_change (business_id, feed_id, seq, entity, entity_id, version, op, recorded_at)
        SELECT f.business, f.feed, top - f.many + row_number() OVER (ORDER BY c.at), c.item ->> 'entity',
               (c.item ->> 'id')::uuid, (c.item ->> 'version')::int, c.item ->> 'op',
               (c.item ->> 'at')::timestamptz
        FROM jsonb_array_elements(changes) WITH ORDINALITY AS c(item, at)
        WHERE (c.item ->> 'feed')::uuid = f.feed;
    END LOOP;
END $$;
REVOKE ALL ON FUNCTION sync_publish(jsonb) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION sync_publish(jsonb) TO spa_ops_app;
"""
