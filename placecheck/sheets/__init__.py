"""Sheets for the bench as PDF at true scale: the order's page and the guidelines' page."""
