package coach

import "strings"

// vinWeights are the weights of 49 CFR 565.15(c); position 9 is the check digit.
var vinWeights = [17]int{8, 7, 6, 5, 4, 3, 2, 10, 0, 9, 8, 7, 6, 5, 4, 3, 2}

// vinValues gives A-Z their values; letters that may not occur are absent.
const vinValues = "A1B2C3D4E5F6G7H8J1K2L3M4N5P7R9S2T3U4V5W6X7Y8Z9"

// VINDoubt returns why a vehicle identification number looks mistyped, or "".
// The check digit is required in North America only, so it is a doubt, never a
// refusal.
func VINDoubt(vin string) string {
	vin = strings.ToUpper(strings.TrimSpace(vin))
	if vin == "" {
		return ""
	}
	if len(vin) != 17 {
		return "a VIN has 17 characters"
	}
	sum := 0
	for i, r := range vin {
		v := -1
		if r >= '0' && r <= '9' {
			v = int(r - '0')
		} else if k := strings.IndexRune(vinValues, r); k >= 0 && k%2 == 0 {
			v = int(vinValues[k+1] - '0')
		}
		if v < 0 {
			return "a VIN has digits and letters other than I, O and Q"
		}
		sum += v * vinWeights[i]
	}
	want := "0123456789X"[sum%11]
	if vin[8] != want {
		return "the check digit (9th character) should be " + string(want) + " by the North American rule"
	}
	return ""
}
