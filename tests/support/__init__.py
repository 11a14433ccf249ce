"""What several tests share: the database source and small builders."""
