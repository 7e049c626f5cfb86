//! Schema, all SQL, transactions, and the private PostgreSQL server.
