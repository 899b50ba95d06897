from django.db import migrations

# One for each statement that gives time back: whatever did it, a waiting list is looked at. What is
# freed of rooms concerns their location; of people and kits alone, every location that has a list.
NOTE_FREED = """
CREATE FUNCTION services_note_freed() RETURNS trigger LANGUAGE plpgsql
SET search_path = pg_catalog, public AS $$
BEGIN
    INSERT INTO services_waiting_due (id, business_id, location_id, since, from_at, until_at)
    SELECT gen_random_uuid(), e.business_id, e.location_id, now(), f.from_at, f.until_at
    FROM (
        SELECT business_id, array_agg(bookable_id) AS ids,
            CASE WHEN bool_and(isfinite(lower(span))) THEN min(lower(span)) END AS from_at,
            CASE WHEN bool_and(isfinite(upper(span))) THEN max(upper(span)) END AS until_at
        FROM freed GROUP BY business_id
    ) f JOIN (
        SELECT DISTINCT business_id, location_id FROM services_waiting_entry
        WHERE state IN ('waiting', 'offered')
    ) e ON e.business_id = f.business_id
    WHERE EXISTS (SELECT FROM rooms_room r WHERE r.business_id = f.business_id
                  AND r.id = ANY(f.ids) AND r.location_id = e.location_id)
       OR NOT EXISTS (SELECT FROM rooms_room r WHERE r.business_id = f.business_id AND r.id = ANY(f.ids));
    RETURN NULL;
END $$;
CREATE TRIGGER services_note_freed AFTER DELETE ON claims_claim
    REFERENCING OLD TABLE AS freed FOR EACH STATEMENT EXECUTE FUNCTION services_note_freed();
"""
NOTE_NOTHING = """
DROP TRIGGER services_note_freed ON claims_claim;
DROP FUNCTION services_note_freed;
"""


class Migration(migrations.Migration):
    dependencies = [
        ("claims", "0003_minutes_taken"),
        ("rooms", "0001_initial"),
        ("services", "0017_waiting_list"),
    ]

    operations = [migrations.RunSQL(NOTE_FREED, NOTE_NOTHING)]
