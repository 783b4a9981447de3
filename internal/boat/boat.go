// Package boat is the model of one boat, moved only by the events it is fed.
package boat
