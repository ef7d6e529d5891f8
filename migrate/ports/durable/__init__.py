"""The store of a campaign: errands as durable workflows of DBOS Transact, in PostgreSQL or, for a
trial on one machine, in SQLite. Needs the extra packages of `migrate[campaign]`.

    database.py   how the store is reached: no address with a password in it, no words of a driver
    tables.py     the two tables that are migrate's own, beside those of DBOS
    plain.py      nothing but JSON is ever read from the store
    launch.py     DBOS at work in this process
    store.py      the store as a coordinator has it
    worker.py     an errand as a durable workflow, and a worker at its site
    accounts.py   what the account of a worker may touch
"""
