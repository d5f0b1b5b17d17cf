"""What people see: pictures, sheets and pages."""
