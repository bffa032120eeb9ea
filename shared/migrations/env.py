"""Run by Alembic: the steps on the connection that `shared.schema.migrate` hands over."""

from alembic import context

from shared.records import Base

context.configure(
    connection=context.config.attributes["connection"],
    target_metadata=Base.metadata,
    render_as_batch=True,
    # One transaction around all steps is the caller's: nothing of a failed migration stays.
    transactional_ddl=False,
)
context.run_migrations()
