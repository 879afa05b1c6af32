"""an index of the messages nobody has read

Revision: 0002, after 0001. Made on 2026-11-25 15:45:00.
"""

import sqlalchemy as sa
from alembic import op


revision = '0002'
down_revision = '0001'
branch_labels = None
depends_on = None


def upgrade() -> None:
    op.create_index(
        'ix_messages_unread',
        'messages',
        ['lifter_id', 'author'],
        unique=False,
        sqlite_where=sa.text('read_at IS NULL'),
        postgresql_where=sa.text('read_at IS NULL'),
    )


def downgrade() -> None:
    op.drop_index('ix_messages_unread', table_name='messages')
