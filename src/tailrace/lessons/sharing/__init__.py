"""One large stream beside small requests."""
