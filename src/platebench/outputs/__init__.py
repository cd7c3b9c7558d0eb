"""What is written: pictures, proof sheets, records."""
