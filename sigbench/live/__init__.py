"""A take while it is being recorded: what it shows so far, and what the person does meanwhile."""
