"""Changes of the database's tables, one file a change, applied in order when a folder opens."""
