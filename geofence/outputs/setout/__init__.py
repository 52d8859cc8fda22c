"""The crew's set-out sheet, as HTML that prints and as PDF."""
