"""What people really have, turned into series: meter files, market tables, weather files, yearly bills, a net meter."""
