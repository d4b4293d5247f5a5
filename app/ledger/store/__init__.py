"""The database, the vault, the record of what happened, and what a use case works with.

Pages and commands hold a session and meet a database's errors, but write no SQL: they take these names from here.
"""

__all__ = ["ArgumentError", "DBAPIError", "SQLAlchemyError", "SQLiteError", "Session"]

from sqlite3 import Error as SQLiteError

from sqlalchemy.exc import ArgumentError, DBAPIError, SQLAlchemyError
from sqlalchemy.orm import Session
