"""Parts of a page that are made when it is read: tables that are calculated, drawings as SVG."""
