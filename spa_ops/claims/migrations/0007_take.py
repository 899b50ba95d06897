from django.db import migrations

from spa_ops.claims import sql


class Migration(migrations.Migration):
    dependencies = [
        ("claims", "0006_soak_phase"),
    ]

    operations = [
        migrations.RunSQL(sql.CLAIMS_TAKE, "DROP FUNCTION claims_take"),
    ]
