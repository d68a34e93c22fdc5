package layer

import (
	"strings"

	"golang.org/x/text/encoding"
	"golang.org/x/text/encoding/charmap"
	"golang.org/x/text/encoding/htmlindex"
	"golang.org/x/text/encoding/ianaindex"
)

var windows1252 = charmap.Windows1252

// languages gives the encoding for the language byte of a .dbf header, as the
// documentation of dBASE and FoxPro lists them. 0x57 (the writer's own
// "ANSI") is left out: it tells nothing.
var languages = map[byte]string{
	0x01: "CP437", 0x02: "CP850", 0x03: "windows-1252", 0x04: "macintosh",
	0x08: "CP865", 0x09: "CP437", 0x0A: "CP850", 0x0B: "CP437", 0x0D: "CP437",
	0x0E: "CP850", 0x0F: "CP437", 0x10: "CP850", 0x11: "CP437", 0x12: "CP850",
	0x13: "CP932", 0x14: "CP850", 0x15: "CP437", 0x16: "CP850", 0x17: "CP865",
	0x18: "CP437", 0x19: "CP437", 0x1A: "CP850", 0x1B: "CP437", 0x1C: "CP863",
	0x1D: "CP850", 0x1F: "CP852", 0x22: "CP852", 0x23: "CP852", 0x24: "CP860",
	0x25: "CP850", 0x26: "CP866", 0x37: "CP850", 0x40: "CP852", 0x4D: "CP936",
	0x4E: "CP949", 0x4F: "CP950", 0x50: "CP874", 0x58: "windows-1252",
	0x59: "windows-1252", 0x64: "CP852", 0x65: "CP866", 0x66: "CP865",
	0x6C: "CP863", 0x78: "CP950", 0x79: "CP949", 0x7A: "CP936", 0x7B: "CP932",
	0x7C: "CP874", 0x87: "CP852", 0xC8: "windows-1250", 0xC9: "windows-1251",
	0xCA: "windows-1254", 0xCB: "windows-1253", 0xCC: "windows-1257",
}

// codePages are the encodings that neither index of x/text finds by number.
var codePages = map[string]encoding.Encoding{
	"437": charmap.CodePage437, "850": charmap.CodePage850, "852": charmap.CodePage852,
	"855": charmap.CodePage855, "858": charmap.CodePage858, "860": charmap.CodePage860,
	"862": charmap.CodePage862, "863": charmap.CodePage863, "865": charmap.CodePage865,
	"866": charmap.CodePage866, "874": charmap.Windows874,
	"1250": charmap.Windows1250, "1251": charmap.Windows1251, "1252": charmap.Windows1252,
	"1253": charmap.Windows1253, "1254": charmap.Windows1254, "1255": charmap.Windows1255,
	"1256": charmap.Windows1256, "1257": charmap.Windows1257, "1258": charmap.Windows1258,
}

// numbered encodings that x/text knows by a word.
var codeWords = map[string]string{
	"932": "shift_jis", "936": "gbk", "949": "euc-kr", "950": "big5", "54936": "gb18030",
	"65001": "utf-8", "10000": "macintosh", "20866": "koi8-r", "20127": "windows-1252",
}

// encodingNamed finds an encoding by any of the spellings met in .cpg files:
// "UTF-8", "1252", "ANSI 1252", "OEM 437", "CP1252", "88591", "8859-1",
// "ISO 88591".
func encodingNamed(text string) (t dbfText, ok bool) {
	s := strings.ToLower(strings.TrimSpace(text))
	switch strings.NewReplacer("-", "", "_", "", " ", "").Replace(s) {
	case "utf8", "65001", "cp65001", "ansi65001", "utf8mb4":
		return dbfText{name: "UTF-8"}, true
	case "ascii", "usascii", "ansi":
		return dbfText{name: "UTF-8"}, true
	}
	number := s
	for _, p := range []string{"ansi", "oem", "cp", "windows", "win", "ibm", "ms", "x-"} {
		number = strings.TrimLeft(strings.TrimPrefix(number, p), " -_")
	}
	if e, ok := codePages[number]; ok {
		name := "code page " + number
		if strings.HasPrefix(number, "12") {
			name = "windows-" + number
		}
		return dbfText{decoder: e.NewDecoder(), name: name}, true
	}
	if w, ok := codeWords[number]; ok {
		s = w
		if w == "utf-8" {
			return dbfText{name: "UTF-8"}, true
		}
	}
	// ISO 8859: "88591", "885915", "8859-1", "iso 8859 1"
	if d := strings.NewReplacer("iso", "", "-", "", "_", "", " ", "").Replace(s); strings.HasPrefix(d, "8859") && len(d) > 4 {
		s = "iso-8859-" + d[4:]
	}
	if e, err := ianaindex.IANA.Encoding(s); err == nil && e != nil {
		return dbfText{decoder: e.NewDecoder(), name: s}, true
	}
	if e, err := htmlindex.Get(s); err == nil {
		return dbfText{decoder: e.NewDecoder(), name: s}, true
	}
	return dbfText{}, false
}
