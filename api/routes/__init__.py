"""REST under /api/v1: a module a resource."""
