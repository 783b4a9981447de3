// Package web shows a boat over HTTP: JSON, pages, metrics.
package web
