"""Look-ups that must run before a tenant is known; each gives back ids only."""

# Sets the tenant for the rest of the transaction: one call authenticates and scopes a request.
AUTHENTICATE = """
CREATE FUNCTION tenancy_authenticate(secret bytea, at timestamptz, acting uuid)
RETURNS TABLE (token_id uuid, business_id uuid, person_id uuid, role text, location_id uuid,
               device_id uuid, auth text)
LANGUAGE plpgsql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
BEGIN
    RETURN QUERY
    SELECT t.id, t.business_id, m.person_id, m.role::text, m.location_id, NULL::uuid, 'token'
    FROM tenancy_token t JOIN tenancy_membership m ON m.id = t.membership_id
    JOIN tenancy_person p ON p.id = m.person_id AND p.active
    WHERE t.secret_hash = secret AND t.expires_at > at AND t.revoked_at IS NULL
      AND m.valid_from <= at AND (m.valid_until IS NULL OR m.valid_until > at)
    UNION ALL
    -- A device acts with the rights of the person who unlocked it, at its own location only.
    SELECT t.id, t.business_id, u.person_id, coalesce(m.role::text, 'device'), d.location_id, d.id,
           CASE WHEN u.id IS NULL THEN 'device_claim' ELSE 'device_pin' END
    FROM tenancy_token t JOIN tenancy_device d ON d.id = t.device_id AND d.retired_at IS NULL
    LEFT JOIN tenancy_device_unlock u ON u.device_id = d.id AND u.person_id = acting
         AND u.locked_at IS NULL AND u.expires_at > at
    LEFT JOIN LATERAL (
        SELECT m.role FROM tenancy_membership m
        JOIN tenancy_person p ON p.id = m.person_id AND p.active
        WHERE m.person_id = u.person_id AND (m.location_id IS NULL OR m.location_id = d.location_id)
          AND m.role <> 'inspector'
          AND m.valid_from <= at AND (m.valid_until IS NULL OR m.valid_until > at)
        ORDER BY array_position(ARRAY['practitioner', 'lead', 'owner', 'front_desk'], m.role::text) LIMIT 1
    ) m ON true
    WHERE t.secret_hash = secret AND t.expires_at > at AND t.revoked_at IS NULL;
END $$;
REVOKE ALL ON FUNCTION tenancy_authenticate(bytea, timestamptz, uuid) FROM PUBLIC;
GRANT EXECUTE ON FUNCTION tenancy_authenticate(bytea, timestamptz, uuid) TO spa_ops_app;
"""

SESSION = """
CREATE FUNCTION tenancy_token_secret(token uuid) RETURNS bytea
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
    SELECT t.secret_hash FROM tenancy_token t WHERE t.id = token
$$;
CREATE FUNCTION tenancy_person_by_login(wanted text)
RETURNS TABLE (business_id uuid, person_id uuid, password_hash text)
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
    SELECT p.business_id, p.id, p.password_hash::text FROM tenancy_person p WHERE p.login = wanted AND p.active
$$;
CREATE FUNCTION tenancy_businesses() RETURNS SETOF uuid
LANGUAGE sql STABLE SECURITY DEFINER SET search_path = public, pg_temp AS $$
    SELECT b.id FROM tenancy_business b ORDER BY b.id
$$;
REVOKE ALL ON FUNCTION tenancy_token_secret(uuid), tenancy_person_by_login(text), tenancy_businesses() FROM PUBLIC;
GRANT EXECUTE ON FUNCTION tenancy_token_secret(uuid), tenancy_person_by_login(text), tenancy_businesses()
    TO spa_ops_app;
"""
