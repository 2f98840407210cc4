"""A rig put together and at work: the one place, beside the commands, that knows everything."""
