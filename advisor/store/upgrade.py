"""Bringing the tables of an older log to this version, with alembic."""

from __future__ import annotations

from pathlib import Path

from alembic.config import Config
from alembic.runtime.environment import EnvironmentContext
from alembic.script import ScriptDirectory
from sqlalchemy import Engine, inspect, text

from advisor.store.schema import REVISION

__all__ = ["upgrade"]


def upgrade(engine: Engine, found: str) -> bool:
    """Run the migrations from revision `found` to this version's; False when `found` is of a newer version.

    All of it is one transaction: an interrupted upgrade leaves the old log as it was.
    """
    config = Config()
    config.set_main_option("script_location", str(Path(__file__).parent / "migrations"))
    scripts = ScriptDirectory.from_config(config)
    if found not in {script.revision for script in scripts.walk_revisions()}:
        return False
    with EnvironmentContext(config, scripts) as environment, engine.connect() as opened:
        db = opened.execution_options(write=True)
        with db.begin():
            if "alembic_version" not in inspect(db).get_table_names():
                db.execute(text("CREATE TABLE alembic_version (version_num VARCHAR(32) NOT NULL PRIMARY KEY)"))
                db.execute(text("INSERT INTO alembic_version VALUES (:v)"), {"v": found})
            environment.configure(connection=db, fn=lambda current, context: scripts._upgrade_revs(REVISION, current))
            environment.run_migrations()
    return True
