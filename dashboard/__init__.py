"""The pages a shop's counter and its customers read: static files, made once and kept in `dashboard/site`."""
