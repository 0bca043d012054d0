"""What a person looks at: terminal views, reports and charts."""
