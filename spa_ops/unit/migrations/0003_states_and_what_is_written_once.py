from django.db import migrations

from spa_ops.unit import sql


class Migration(migrations.Migration):
    dependencies = [
        ("unit", "0002_words_go_with_the_client"),
    ]

    operations = [
        migrations.RunSQL(sql.REFUSE_ILLEGAL_MOVE, "DROP FUNCTION refuse_illegal_move CASCADE"),
        migrations.RunSQL(sql.REFUSE_REWRITING, "DROP FUNCTION refuse_rewriting CASCADE"),
    ]
