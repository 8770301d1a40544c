// Package reach finds the records of a store: in its file, or through the running
// agent that holds it. Both answer the same questions ([Place]).
//
// A running agent leaves its address in a file beside the store, and listens on a
// socket there, to which only its own user and root may speak.
package reach
