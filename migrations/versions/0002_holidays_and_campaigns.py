"""Public holidays, campaigns' first and last days, the load of promotion

Revision ID: 0002
Revises: 0001
"""

from __future__ import annotations

import sqlalchemy as sa
from alembic import op


revision = '0002'
down_revision = '0001'
branch_labels = None
depends_on = None


def upgrade() -> None:
    with op.batch_alter_table('venue', schema=None) as batch_op:
        batch_op.add_column(
            sa.Column('promo_min_per_hour', sa.Double(), nullable=False, server_default=sa.text('6.0'))
        )
        batch_op.add_column(sa.Column('holidays', sa.JSON(none_as_null=True), nullable=True))
    with op.batch_alter_table('venue', schema=None) as batch_op:
        batch_op.alter_column('promo_min_per_hour', server_default=None)
    with op.batch_alter_table('quiet', schema=None) as batch_op:
        batch_op.add_column(sa.Column('on_holidays', sa.Boolean(), nullable=True))
    with op.batch_alter_table('clip', schema=None) as batch_op:
        batch_op.add_column(sa.Column('from_date', sa.Date(), nullable=True))
        batch_op.add_column(sa.Column('until_date', sa.Date(), nullable=True))
