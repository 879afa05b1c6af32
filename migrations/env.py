"""Run migrations on the connection the program hands over, or on TERRACE_DATABASE_URL by hand."""

from alembic import context

from app.storage.models import Base


def run(connection) -> None:
    context.configure(
        connection=connection,
        target_metadata=Base.metadata,
        render_as_batch=True,
        compare_type=True,
        user_module_prefix="types.",
        transaction_per_migration=False,
    )
    with context.begin_transaction():
        context.run_migrations()


handed_over = context.config.attributes.get("connection")
if handed_over is not None:
    run(handed_over)
else:
    from app.config import from_environment
    from app.storage.engine import Store

    store = Store(from_environment().url)
    with store.engine.execution_options(terrace_write=True).begin() as connection:
        run(connection)
