"""A job: its folder of stages, its settings, its captures by their names, and a new one."""
