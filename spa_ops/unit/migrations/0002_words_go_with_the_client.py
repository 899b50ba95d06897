from django.db import migrations

from spa_ops.unit import sql


class Migration(migrations.Migration):
    dependencies = [
        ("unit", "0001_initial"),
    ]

    operations = [
        migrations.RunSQL(
            sql.REFUSE_CHANGE_BUT_BLANK, "DROP FUNCTION refuse_change_but_blank CASCADE"
        ),
    ]
