"""Where cases are kept: the only room that talks to a database (SQLAlchemy over SQLite and PostgreSQL)."""
