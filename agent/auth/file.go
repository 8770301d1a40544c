package auth

// File is where the accounts of the store at path lie.
func File(path string) string { return path + ".access" }
