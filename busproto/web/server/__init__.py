"""HTTP and WebSocket: admission of requests, the operating page, the page's files, lessons and handbook."""
