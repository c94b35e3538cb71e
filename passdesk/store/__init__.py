"""Tables, migrations, transactions: SQLite by default, PostgreSQL for larger places."""
