package hl7

import (
	"strings"
)

// Base is a sound message with one potassium. Its local code K and the LOINC
// number of the default protocol are mapped to the same.
const Base = `MSH|^~\&|EXAMPLE-LIS|EXAMPLE-LAB|CANDIDACY|DONOR|20240112120000+0100||ORU^R01^ORU_R01|C-1|P|2.5.1
PID|1||SYN-0022^^^EXAMPLE-HOSPITAL^MR||Fictborne^Vesmara||19870701|F
ORC|RE|P-1|F-1
OBR|1|P-1|F-1|K^Potassium^L|||20240112073000|||||||||||||||20240112115500||LAB|F
OBX|1|NM|K^Potassium^L||4.0|mmol/L|3.5-5.1|N|||F|||20240112073000
`

// Potassium is its OBX.
const Potassium = "OBX|1|NM|K^Potassium^L||4.0|mmol/L|3.5-5.1|N|||F|||20240112073000"

// Changed is the base with one text changed, as it is on the wire.
func Changed(old, with string) []byte {
	if !strings.Contains(Base, old) {
		panic("the message does not hold " + old)
	}
	return []byte(strings.ReplaceAll(strings.Replace(Base, old, with, 1), "\n", "\r"))
}

// Fault is a mistake, made by changing one text of the base. It says where it is,
// as in PID-3.1, with which code of HL7 table 0357 it is told to the sender, and
// whether it is one for which a message is rejected (AR) or has an error (AE).
type Fault struct {
	Name, Old, With string
	At              string
	Code            string
	Rejected        bool
}

// Faults are messages against the standard, or of a kind that is not taken.
var Faults = []Fault{
	{"another type", "ORU^R01^ORU_R01", "ADT^A01^ADT_A01", "MSH-9.1", "200", true},
	{"an order", "ORU^R01^ORU_R01", "ORM^O01", "MSH-9.1", "200", true},
	{"no type", "ORU^R01^ORU_R01", "", "MSH-9.1", "200", true},
	{"another event", "ORU^R01^ORU_R01", "ORU^R32^ORU_R01", "MSH-9.2", "201", true},
	{"no event", "ORU^R01^ORU_R01", "ORU", "MSH-9.2", "201", true},
	{"another structure", "ORU^R01^ORU_R01", "ORU^R01^ORU_W01", "MSH-9.3", "200", true},
	{"version 2.2", "|P|2.5.1", "|P|2.2", "MSH-12.1", "203", true},
	{"version 2.9", "|P|2.5.1", "|P|2.9", "MSH-12.1", "203", true},
	{"no version", "|P|2.5.1", "|P|", "MSH-12.1", "203", true},
	{"a version that is none", "|P|2.5.1", "|P|two", "MSH-12.1", "203", true},
	{"training", "|P|2.5.1", "|T|2.5.1", "MSH-11.1", "202", true},
	{"no processing id", "|P|2.5.1", "||2.5.1", "MSH-11.1", "202", true},
	{"another application", "|EXAMPLE-LIS|", "|OTHER|", "MSH-3", "103", true},
	{"another facility", "|EXAMPLE-LAB|", "|OTHER|", "MSH-3", "103", true},
	{"no application", "|EXAMPLE-LIS|", "||", "MSH-3", "103", true},
	{"no control id", "|C-1|", "||", "MSH-10", "101", false},
	{"no time of the message", "20240112120000+0100", "yesterday", "MSH-7", "102", false},
	{"bytes beyond ASCII", "Fictborne", "Fictbörne", "MSH-18", "102", true},
	{"a character set that is not read", "|P|2.5.1", "|P|2.5.1||||||ISO IR87", "MSH-18", "103", true},
	{"no PID", "PID|1||SYN-0022^^^EXAMPLE-HOSPITAL^MR||Fictborne^Vesmara||19870701|F\n", "", "ORC", "100", false},
	{"only MSH", Base[strings.Index(Base, "PID"):], "", "PID", "101", false},
	{"no identifier", "SYN-0022^^^EXAMPLE-HOSPITAL^MR", "", "PID-3", "101", false},
	{"an identifier without its number", "SYN-0022^^^EXAMPLE-HOSPITAL^MR", "^^^EXAMPLE-HOSPITAL^MR", "PID-3", "101", false},
	{"the null identifier", "SYN-0022^^^EXAMPLE-HOSPITAL^MR", `""`, "PID-3", "101", false},
	{"a birth date that is none", "19870701", "01-07-1987", "PID-7", "102", false},
	{"a birth date of a 13th month", "19870701", "19871301", "PID-7", "102", false},
	{"no OBR", "OBR|1|P-1|F-1|K^Potassium^L|||20240112073000|||||||||||||||20240112115500||LAB|F\n", "", "OBX", "100", false},
	{"no order", Base[strings.Index(Base, "ORC"):], "", "PID", "100", false},
	{"OBX before OBR", "ORC|RE|P-1|F-1\n", "ORC|RE|P-1|F-1\nOBX|1|NM|K||4|mmol/L|||||F\n", "OBX", "100", false},
	{"OBX before PID", "PID|1||SYN", "OBX|1|NM|K||4|mmol/L|||||F\nPID|1||SYN", "OBX", "100", false},
	{"OBR before PID", "PID|1||SYN", "OBR|1\nPID|1||SYN", "OBR", "100", false},
	{"SPM before OBR", "ORC|RE|P-1|F-1\n", "ORC|RE|P-1|F-1\nSPM|1\n", "SPM", "100", false},
	{"an order without OBR", Potassium, Potassium + "\nORC|RE|P-2|F-2", "ORC[2]", "100", false},
	{"an unknown segment", "ORC|RE", "QRD|x\nORC|RE", "QRD", "100", false},
	{"to be continued", Potassium, Potassium + "\nDSC|1|I", "DSC", "100", false},
	{"an addendum", Potassium, Potassium + "\nADD|more", "ADD", "100", false},
	{"a line that is no segment", Potassium, Potassium + "\nfree text", "MSH", "100", false},
	{"a second message", Potassium, Potassium + "\nMSH|^~\\&|LIS", "MSH[2]", "100", false},
	{"no filler number", "ORC|RE|P-1|F-1\nOBR|1|P-1|F-1|", "ORC|RE|P-1|\nOBR|1|P-1||", "OBR-3", "101", false},
	{"two filler numbers", "ORC|RE|P-1|F-1", "ORC|RE|P-1|F-2", "OBR-3", "102", false},
	{"two placer numbers", "ORC|RE|P-1|F-1", "ORC|RE|P-2|F-1", "OBR-2", "102", false},
	{"no service", "|K^Potassium^L|||20240112073000|", "||||20240112073000|", "OBR-4", "101", false},
	{"a time of collection that is none", "OBR|1|P-1|F-1|K^Potassium^L|||20240112073000|||||||||||||||20240112115500||LAB|F\n" + Potassium,
		"OBR|1|P-1|F-1|K^Potassium^L|||2024-01-12|||||||||||||||20240112115500||LAB|F\nOBX|1|NM|K||4.0|mmol/L|||||F", "OBR-7", "102", false},
	{"a time of release that is none", "20240112115500", "20241312", "OBR-22", "102", false},
	{"a status of the order that is none", "20240112115500||LAB|F", "20240112115500||LAB|Q", "OBR-25", "103", false},
	{"no code", "|K^Potassium^L||4.0", "|||4.0", "OBX-3", "101", false},
	{"a text for a code", "|K^Potassium^L||4.0", "|^Potassium^L||4.0", "OBX-3", "101", false},
	{"no status", "|N|||F|", "|N||||", "OBX-11", "101", false},
	{"a status that is none", "|N|||F|", "|N|||final|", "OBX-11", "103", false},
	{"a status in small letters", "|N|||F|", "|N|||f|", "OBX-11", "103", false},
	{"no type of value", "OBX|1|NM|", "OBX|1||", "OBX-2", "101", false},
	{"a type that is none", "OBX|1|NM|", "OBX|1|QQ|", "OBX-2", "103", false},
	{"a type in small letters", "OBX|1|NM|", "OBX|1|nm|", "OBX-2", "103", false},
	{"a time that is none", "|F|||20240112073000", "|F|||20240112253000", "OBX-14", "102", false},
	{"a 30 February", "|F|||20240112073000", "|F|||20240230073000", "OBX-14", "102", false},
	{"a date that is none", Potassium, "OBX|1|DT|8665-2^LMP^LN||01/02/2024||||||F", "OBX-5.1", "102", false},
	{"a time of day that is none", Potassium, "OBX|1|TM|8665-2^LMP^LN||2460||||||F", "OBX-5.1", "102", false},
	{"one observation twice", Potassium, Potassium + "\n" + Potassium, "OBX[2]-4", "205", false},
	{"one observation twice under one id", Potassium, strings.Replace(Potassium, "|F|||20240112073000", "|F|||20240112073000|||||||I-1", 1) + "\n" +
		"OBX|2|NM|NA||140|mmol/L|||||F||||||||||I-1", "OBX[2]-4", "205", false},
	{"one order twice", Potassium, Potassium + "\n" + Base[strings.Index(Base, "OBR"):], "OBR[2]-3", "205", false},
	{"a delimiter twice", `MSH|^~\&|`, `MSH|^^\&|`, "MSH-2", "102", true},
	{"no delimiters", `MSH|^~\&|`, `MSH||`, "MSH-2", "102", true},
	{"no MSH", `MSH|^~\&|`, `MSA|^~\&|`, "MSH", "100", true},
	{"small letters", `MSH|^~\&|`, `msh|^~\&|`, "MSH", "100", true},
	{"NUL", "Fictborne", "Fict\x00borne", "MSH", "102", true},
	{"one reading of a panel twice", "OBR|1|P-1|F-1|K^Potassium^L|||20240112073000|||||||||||||||20240112115500||LAB|F\n" + Potassium,
		"OBR|1|P-1|F-1|BP|||20240112073000|||||||||||||||||F\nOBX|1|NM|SBP||120|mmHg|||||F\nOBX|2|NM|SBP||121|mmHg|||||F", "OBX[2]-4", "205", false},
}
