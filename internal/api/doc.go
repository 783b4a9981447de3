// Package api serves a boat over HTTP: who may come in, its API with the description of it, event streams, health and metrics.
package api
