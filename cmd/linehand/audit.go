package main

func (a *app) showAudit(path string) error { return nil }
