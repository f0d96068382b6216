module example.com/calproof/checksum/internal/bench

go 1.26.0

require (
	example.com/calproof v0.0.0
	github.com/sigurn/crc16 v0.0.0-20211026045750-20ab5afb07e3
	github.com/sigurn/crc8 v0.0.0-20220107193325-2243fe600f9f
	github.com/snksoft/crc v1.1.0
	golang.org/x/sys v0.50.0
)

replace example.com/calproof => ../../..
