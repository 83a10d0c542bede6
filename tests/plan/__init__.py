"""Plans, and bringing an airframe to one."""
