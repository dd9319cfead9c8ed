"""What people really have - weather files, yearly bills, part of a year, a net meter - turned into series."""
