package drifttest

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"strconv"
	"time"
	"unsafe"
)

// Fill sets every field of the value that x points to, unexported ones too, to a different
// value, so that a copy shows which fields it leaves out. It allocates what is nil. Fields
// that spare names, as type.field, stay as they are.
func Fill(x any, spare ...string) {
	f := filler{rng: rand.New(rand.NewPCG(1, 2)), spare: spare}
	f.fill(reflect.ValueOf(x).Elem())
}

type filler struct {
	rng   *rand.Rand
	spare []string
}

func (f *filler) fill(v reflect.Value) {
	switch v.Kind() {
	case reflect.Bool:
		v.SetBool(true)
	case reflect.Int, reflect.Int64:
		v.SetInt(1 + f.rng.Int64N(1<<30))
	case reflect.Uint8, reflect.Uint64:
		v.SetUint(1 + f.rng.Uint64N(255))
	case reflect.Float32, reflect.Float64:
		v.SetFloat(f.rng.NormFloat64())
	case reflect.String:
		v.SetString(strconv.FormatUint(f.rng.Uint64(), 36))
	case reflect.Struct:
		f.fields(v)
	default:
		f.parts(v)
	}
}

// parts fills what holds other values.
func (f *filler) parts(v reflect.Value) {
	const usual = 3
	switch v.Kind() {
	case reflect.Array:
	case reflect.Slice:
		if v.IsNil() {
			v.Set(reflect.MakeSlice(v.Type(), usual, usual))
		}
	case reflect.Pointer:
		if v.IsNil() {
			v.Set(reflect.New(v.Type().Elem()))
		}
		f.fill(v.Elem())
		return
	case reflect.Map:
		v.Set(reflect.MakeMap(v.Type()))
		for range usual {
			key, value := reflect.New(v.Type().Key()).Elem(), reflect.New(v.Type().Elem()).Elem()
			f.fill(key)
			f.fill(value)
			v.SetMapIndex(key, value)
		}
		return
	default:
		panic(fmt.Sprintf("a %s cannot be filled", v.Type()))
	}
	for i := range v.Len() {
		f.fill(v.Index(i))
	}
}

func (f *filler) fields(v reflect.Value) {
	if v.Type() == reflect.TypeFor[time.Time]() {
		v.Set(reflect.ValueOf(time.Unix(f.rng.Int64N(4e9), f.rng.Int64N(1e9)).UTC()))
		return
	}
	for i := range v.NumField() {
		if !slices.Contains(f.spare, v.Type().Name()+"."+v.Type().Field(i).Name) {
			field := v.Field(i)
			f.fill(reflect.NewAt(field.Type(), unsafe.Pointer(field.UnsafeAddr())).Elem())
		}
	}
}
