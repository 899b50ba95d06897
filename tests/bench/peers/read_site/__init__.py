"""A bare REST framework site: one ModelViewSet with token authentication, nothing else switched on."""
