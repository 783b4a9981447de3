// Package archtest holds the tests about the tree itself.
package archtest
