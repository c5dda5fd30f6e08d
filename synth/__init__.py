"""Op-amp filter synthesis driven by the complement property."""
