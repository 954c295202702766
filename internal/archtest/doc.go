// Package archtest holds the tree to its layout: which folders exist, who may import whom, which packages stay pure,
// where a third-party library may live, and that only package vent says a vessel is vented. All of it is in its tests,
// which read the source and run in about a second.
package archtest
