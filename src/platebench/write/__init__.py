"""What people get: TIFF, ICC, XMP, previews, sheets and reports."""
