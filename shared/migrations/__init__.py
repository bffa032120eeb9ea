"""From schema to schema (Alembic). Each step's revision is the schema version that it leads to."""
