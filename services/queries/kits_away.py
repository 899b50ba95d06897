"""How long kits are away after a visit. Reads only."""

#: The longest contact time of a bath in use at location `l` at an instant; without one, of any label.
CONTACT_SECONDS = """coalesce(
    (SELECT max(b.contact_seconds) FROM disinfection_solution b
     WHERE b.location_id = l.id AND b.ended_at IS NULL AND b.voided_at IS NULL AND b.discard_at > %(now)s),
    (SELECT max(p.contact_seconds) FROM disinfection_product p))"""
