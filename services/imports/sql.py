"""The SQL that imports bring along."""

# Before the first statistics the planner checks each reference to a client by walking all clients of
# the business (measured: 10,000 clients took 25 s instead of 1 s, growing with the square). Only the
# owner may gather statistics; a second import does not wait for the first one's lock.
REFRESH_STATISTICS = """
CREATE FUNCTION imports_refresh_statistics() RETURNS void
LANGUAGE plpgsql SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    ANALYZE (SKIP_LOCKED) clients_client, clients_client_word;
END $$;
REVOKE ALL ON FUNCTION imports_refresh_statistics() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION imports_refresh_statistics() TO spa_ops_app;
"""
