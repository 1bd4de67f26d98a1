"""The SQL that gives benches and supervisors their rights in a shared PostgreSQL log."""

from __future__ import annotations

import re

__all__ = ["grants"]

BENCH, SUPERVISOR = "advisor_bench", "advisor_supervisor"

_ROLES = f"""-- Roles for the shared case log. Run once as the owner of the database; running it again changes nothing.
DO $$ BEGIN
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{BENCH}') THEN CREATE ROLE {BENCH} NOLOGIN; END IF;
  IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{SUPERVISOR}') THEN CREATE ROLE {SUPERVISOR} NOLOGIN; END IF;
END $$;
REVOKE ALL ON event, writer, case_row, reading, attachment FROM PUBLIC;
GRANT SELECT ON alembic_version TO {BENCH}, {SUPERVISOR};
-- Nobody may change or delete an event. Rows and readings are derived from them, and may be made anew.
GRANT SELECT, INSERT ON event, attachment TO {BENCH};
GRANT SELECT, INSERT, UPDATE (n, journal, name) ON writer TO {BENCH}, {SUPERVISOR};
GRANT SELECT, INSERT, UPDATE, DELETE ON case_row, reading TO {BENCH}, {SUPERVISOR};
GRANT SELECT ON event, attachment TO {SUPERVISOR};
GRANT INSERT ON event TO {SUPERVISOR};

-- A bench sees and writes what is its own: the rows of the writers that have its login.
ALTER TABLE event ENABLE ROW LEVEL SECURITY;
ALTER TABLE writer ENABLE ROW LEVEL SECURITY;
ALTER TABLE case_row ENABLE ROW LEVEL SECURITY;
ALTER TABLE reading ENABLE ROW LEVEL SECURITY;
ALTER TABLE attachment ENABLE ROW LEVEL SECURITY;
"""

_OWN = "(SELECT id FROM writer WHERE login = current_user)"
_POLICIES = (
    ("writer", "bench_reads", "SELECT", BENCH, "USING (true)"),
    ("writer", "bench_adds", "INSERT", BENCH, "WITH CHECK (login = current_user AND NOT own)"),
    ("writer", "bench_counts", "UPDATE", BENCH, "USING (login = current_user)"),
    ("event", "bench_reads", "SELECT", BENCH, f"USING (bench IN {_OWN})"),
    ("event", "bench_adds", "INSERT", BENCH, f"WITH CHECK (bench IN {_OWN} AND writer IN {_OWN} AND type <> 'review')"),
    ("case_row", "bench_own", "ALL", BENCH, f"USING (bench IN {_OWN})"),
    ("reading", "bench_own", "ALL", BENCH, f"USING (bench IN {_OWN})"),
    ("attachment", "bench_reads", "SELECT", BENCH, f"USING (bench IN {_OWN})"),
    ("attachment", "bench_adds", "INSERT", BENCH, f"WITH CHECK (bench IN {_OWN})"),
    ("writer", "supervisor_reads", "SELECT", SUPERVISOR, "USING (true)"),
    ("writer", "supervisor_adds", "INSERT", SUPERVISOR, "WITH CHECK (login = current_user AND NOT own)"),
    ("writer", "supervisor_counts", "UPDATE", SUPERVISOR, "USING (login = current_user)"),
    ("event", "supervisor_reads", "SELECT", SUPERVISOR, "USING (true)"),
    ("event", "supervisor_signs", "INSERT", SUPERVISOR, f"WITH CHECK (type = 'review' AND writer IN {_OWN})"),
    ("case_row", "supervisor_all", "ALL", SUPERVISOR, "USING (true)"),
    ("reading", "supervisor_all", "ALL", SUPERVISOR, "USING (true)"),
    ("attachment", "supervisor_reads", "SELECT", SUPERVISOR, "USING (true)"),
)


def grants(benches: tuple[str, ...] = (), supervisors: tuple[str, ...] = ()) -> str:
    """SQL for the two roles and their policies, and for logins that get them.

    ValueError for a login that is no plain PostgreSQL name.
    """
    lines = [_ROLES]
    for table, name, command, role, rule in _POLICIES:
        lines.append(f"DROP POLICY IF EXISTS {name} ON {table};")
        lines.append(f"CREATE POLICY {name} ON {table} FOR {command} TO {role} {rule};")
    for role, logins in ((BENCH, benches), (SUPERVISOR, supervisors)):
        for login in logins:
            if not re.fullmatch(r"[a-z_][a-z0-9_]{0,62}", login):
                raise ValueError(f"'{login}' is no login: use small letters, digits and underscores")
            lines.append(f"\n-- {login}: set a password with \\password {login}, or let the server ask another way.")
            lines.append(
                f"DO $$ BEGIN IF NOT EXISTS (SELECT FROM pg_roles WHERE rolname = '{login}') "
                f'THEN CREATE ROLE "{login}" LOGIN; END IF; END $$;'
            )
            lines.append(f'GRANT {role} TO "{login}";')  # quoted: it may be a word of SQL
    if not (benches or supervisors):
        lines.append("\n-- For each bench and supervisor: CREATE ROLE name LOGIN; GRANT advisor_bench TO name;")
    return "\n".join(lines) + "\n"
