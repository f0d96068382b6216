// Command calproof inspects firmware images of engine controllers and proves
// their checksums.
package main

func main() {}
