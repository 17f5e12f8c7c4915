"""Bring a database to the newest schema; safe to call from several processes at once."""

from typing import Any

from app.settings import ROOT


def upgrade(database_url: str, revision: str = "head") -> None:
    """Apply every missing migration, in one transaction that fails whole or not at all."""
    from alembic import command

    command.upgrade(alembic_config(database_url), revision)


def downgrade(database_url: str, revision: str) -> None:
    from alembic import command

    command.downgrade(alembic_config(database_url), revision)


def known_schemas(database_url: str) -> set[str]:
    """Every schema that this program's migrations lead through."""
    from alembic.script import ScriptDirectory

    return {script.revision for script in ScriptDirectory.from_config(alembic_config(database_url)).walk_revisions()}


def alembic_config(database_url: str) -> Any:
    from alembic.config import Config

    config = Config(toml_file=str(ROOT / "pyproject.toml"))
    config.attributes["database_url"] = database_url
    return config
