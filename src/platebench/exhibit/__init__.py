"""A web site to look at plates: pages, deep pictures and manifests, from sessions and packages."""
