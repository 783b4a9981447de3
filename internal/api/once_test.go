package api

import (
	"net/http"
	"net/http/httptest"
	"testing"
	"time"
)

// TestSignInOnce: the link signs in one browser and no second, nor one that comes too late, and none without a token.
func TestSignInOnce(t *testing.T) {
	const token = "0123456789abcdef"
	s := &Server{door: NewDoor(token, "", false, "boat")}
	s.door.Ask(func(w http.ResponseWriter, _ *http.Request, status int, _ string) { w.WriteHeader(status) })
	open := func(code string) *http.Response {
		w := httptest.NewRecorder()
		s.door.LoginOnce(w, httptest.NewRequest("GET", "/login?once="+code, nil))
		return w.Result()
	}
	if resp := open(""); resp.StatusCode != 401 {
		t.Errorf("no code: %s", resp.Status)
	}
	code := s.SignInOnce(time.Minute)
	if resp := open(code + "x"); resp.StatusCode != 401 {
		t.Errorf("another code: %s", resp.Status)
	}
	resp := open(code)
	if resp.StatusCode != 303 || len(resp.Cookies()) != 1 {
		t.Fatalf("%s, %v", resp.Status, resp.Cookies())
	}
	signed := httptest.NewRequest("POST", "/alerts/acknowledge", nil)
	signed.AddCookie(resp.Cookies()[0])
	if !s.door.MayAct(signed) {
		t.Error("the cookie does not let one act")
	}
	if resp := open(code); resp.StatusCode != 401 || len(resp.Cookies()) != 0 {
		t.Errorf("a second time: %s", resp.Status)
	}
	if resp := open(s.SignInOnce(-time.Second)); resp.StatusCode != 401 {
		t.Errorf("too late: %s", resp.Status)
	}
	if code := (&Server{door: NewDoor("", "", false, "boat")}).SignInOnce(time.Minute); code != "" {
		t.Errorf("%q without a token", code)
	}
}
