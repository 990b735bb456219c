"""The REST service and the pages, thin over holeinspect: no measuring here."""
