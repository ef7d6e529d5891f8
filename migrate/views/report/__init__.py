"""The report of a run: one HTML file to read, print and keep, from its journal alone.

    story.py     what happened, worked out from the lines: spans, counts, bands, pauses
    faults.py    what befell each device that did not just move
    figures.py   exposure, evidence, times
    axis.py      moments to places, long pauses broken out
    devices.py, sides.py, exposures.py
                 the pictures, of the forms in forms.py
    summary.py, tables.py
                 sentences and rows
    page.py      all of it, put into templates/report.html

The first four know nothing of markup, and nothing here asks for the time.
"""

from migrate.views.report.page import is_report, report

__all__ = ["is_report", "report"]
