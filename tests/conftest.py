"""
How property tests run.

A loaded machine draws examples slowly, which says nothing about the program, so neither deadlines nor the health check
of slow drawing apply.  Where CI is set, the same examples are drawn each time: a change is judged by what it changed.
"""

import os

from hypothesis import HealthCheck, settings

settings.register_profile("project", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.register_profile("ci", settings.get_profile("project"), derandomize=True)
settings.load_profile("ci" if os.environ.get("CI") else "project")
