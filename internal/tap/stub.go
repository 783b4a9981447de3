package tap

import "errors"

var errTodo = errors.New("not there yet")

func openSocketCAN(name string, opts Options) (Source, error)  { return nil, errTodo }
func openSLCAN(path string, opts Options) (Source, error)      { return nil, errTodo }
func openUDP(addr string, opts Options) (Source, error)        { return nil, errTodo }
func openSerialLine(path string, opts Options) (Source, error) { return nil, errTodo }
func openTCPLine(addr string, opts Options) (Source, error)    { return nil, errTodo }
func openUDPLine(addr string, opts Options) (Source, error)    { return nil, errTodo }
